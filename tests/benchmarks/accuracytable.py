"""What the accuracy benchmark prints: a line a photo, then every target with hit or miss."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tests.benchmarks.scoring import Judged, bootstrap_share, pooled
from tests.benchmarks.tracedphoto import Score

__all__ = ["HEAD", "TARGETS", "Target", "photo_line", "summary_text"]


@dataclass(frozen=True, slots=True)
class Target:
    """What a row of the accuracy table must reach, mm on the diameter."""

    title: str
    most_95_mm: float
    most_median_mm: float


TARGETS: Mapping[str, Target] = {
    "id1_flat": Target("ID-1 card, EXIF focal, phone tilted 5 to 10°", 0.20, 0.08),
    "id1_tilted": Target("ID-1 card, EXIF focal, phone tilted 20 to 30°", 0.12, 0.05),
    "a4_exif": Target("A4 board, EXIF focal, print known to 0.1 %", 0.15, 0.07),
    "a4_calibrated": Target("A4 board, calibrated lens, print to 0.05 %", 0.08, 0.04),
    "stand_id1": Target("upright or plane, ID-1 card, EXIF focal", 0.50, 0.20),
    "plane_known": Target("plane, with one caliper reading (0.05 mm)", 0.25, 0.10),
}
LENGTH_ROWS = ("id1_flat", "id1_tilted", "a4_exif", "a4_calibrated")
INSIDE = (0.90, 0.98)
RMS = (0.7, 1.3)
FAR_MOST = 0.05
SEEN_LEAST = 0.97
LENGTH_SHARE = 0.95

HEAD = (
    "One line a photo, mm on the diameter; every row of profile.csv counts; processor time, and\n"
    "how many times that of reading the file\n"
    f"{'photo':19s}{'median':>7s}{'95 %':>7s}{'bias':>7s}{'U95':>6s}{'in U95':>8s}{'rms':>6s}"
    f"{'>2U95':>7s}{'length error ± U95':>20s}{'seen':>7s}{'of':>7s}{'beyond':>7s}"
    f"{'time':>7s}{'x read':>7s}  refused or warned"
)


def photo_line(score: Score) -> str:
    """Return the line of one photo."""
    spent = score.took.processor_seconds
    time = f"{spent:6.1f}s{spent / score.decoded.processor_seconds:7.1f}"
    if score.rows is None or score.seen is None:
        return (
            f"{score.name:19s} {'-' * 66} {0.0:7.1f}{score.visible_mm:7.1f}{0.0:7.1f}{time}  "
            f"REFUSED {score.refusal}: {score.message}"
        )
    rows, seen, errors = score.rows, score.seen, np.abs(score.rows.error_mm)
    notes = [*(["WRONG END"] if score.backward else []), *score.warned]
    return (
        f"{score.name:19s}{np.median(errors):7.3f}{_q95(errors):7.3f}"
        f"{np.median(rows.error_mm):+7.3f}{np.median(rows.u95_mm):6.2f}{_percent(rows.inside):>8s}"
        f"{rows.rms_normalised:6.2f}{_percent(rows.far_outside):>7s}{_length(score):>20s}"
        f"{seen.reported_mm:7.1f}{seen.visible_mm:7.1f}{seen.beyond_mm:7.1f}{time}  "
        f"{', '.join(notes)}"
    )


def summary_text(scores: Mapping[str, Sequence[Score]], count: int, missing: Sequence[str]) -> str:
    """Return the tables over all photos; `count` is how many a row should have."""
    parts = [_table(scores, count), _refusals(scores), _honesty(scores)]
    parts += [_lengths(scores), _visible(scores)]
    if missing:
        parts.append(f"Not rendered, or of an earlier draw: {', '.join(missing)}")
    return "\n".join(f"\n{part}" for part in parts if part)


def _table(scores: Mapping[str, Sequence[Score]], count: int) -> str:
    lines = [
        "Diameters, all rows of a set-up's photos together; a refused photo's rows count as misses",
        f"{'set-up':47s}{'photos':>8s}{'refused':>8s}{'95 % within':>12s}{'target':>8s}"
        f"{'median':>9s}{'target':>8s}{'share in target':>22s}",
    ]
    for row, photos in scores.items():
        target = TARGETS[row]
        pool = pooled(_rows(photos), [s.visible_mm for s in photos if s.rows is None])
        high, middle = pool.quantile(0.95), pool.quantile(0.5)
        lines.append(
            f"{target.title:47s}{f'{len(photos)}/{count}':>8s}"
            f"{sum(s.rows is None for s in photos):8d}"
            f"{_mm(high):>12s}{target.most_95_mm:8.2f}{_mm(middle):>9s}{target.most_median_mm:8.2f}"
            f"{_share_in(photos, target.most_95_mm):>22s}  "
            f"{_hits(high, middle, target, len(photos) < count)}"
        )
    return "\n".join(lines)


def _share_in(photos: Sequence[Score], most_mm: float) -> str:
    marks = [
        np.abs(s.rows.error_mm) <= most_mm
        if s.rows is not None
        else np.zeros(round(4 * s.visible_mm), dtype=bool)
        for s in photos
    ]
    return _interval(*bootstrap_share([m for m in marks if len(m)]))


def _hits(high: float, middle: float, target: Target, incomplete: bool) -> str:
    words = [
        f"{name} {_verdict(value <= most)}"
        for name, value, most in (
            ("95 %", high, target.most_95_mm),
            ("median", middle, target.most_median_mm),
        )
    ]
    return ", ".join(words) + (" (incomplete)" if incomplete else "")


def _refusals(scores: Mapping[str, Sequence[Score]]) -> str:
    refused = [s for photos in scores.values() for s in photos if s.rows is None]
    lines = [f"  {s.name}: {s.refusal}: {s.message}" for s in refused]
    wrong = [s.name for photos in scores.values() for s in photos if s.backward]
    if wrong:
        lines.append(f"  counted from the wrong end: {', '.join(wrong)}")
    return "\n".join(["Refused", *lines]) if lines else ""


def _honesty(scores: Mapping[str, Sequence[Score]]) -> str:
    lines = [
        "Honesty of U95; the interval draws whole photos (95 %); refused photos claim nothing",
        f"{'':47s}{'photos':>8s}{'rows inside U95':>24s}{'rms':>7s}"
        f"{'photos with > 5 % beyond 2 U95':>33s}",
    ]
    everything = [rows for photos in scores.values() for rows in _rows(photos)]
    for row, photos in scores.items():
        lines.append(_honest_line(TARGETS[row].title, _rows(photos)))
    lines.append(_honest_line("all", everything))
    lines.append(
        _honest_line("all, rows judged by diameter only", [r.flat_rows() for r in everything])
    )
    if everything:
        inside = bootstrap_share([r.inside for r in everything])[0]
        rms, far = _rms(everything), _far(everything)
        lines.append(
            f"  inside {100 * INSIDE[0]:.0f} to {100 * INSIDE[1]:.0f} %: "
            f"{_verdict(INSIDE[0] <= inside <= INSIDE[1])}; "
            f"rms {RMS[0]} to {RMS[1]}: {_verdict(RMS[0] <= rms <= RMS[1])}; "
            f"no photo with more than 5 % beyond 2 U95: {_verdict(not far)}"
        )
    return "\n".join(lines)


def _honest_line(title: str, photos: Sequence[Judged]) -> str:
    photos = [rows for rows in photos if len(rows.error_mm)]
    if not photos:
        return f"{title:47s}{0:8d}"
    inside = _interval(*bootstrap_share([rows.inside for rows in photos]))
    return f"{title:47s}{len(photos):8d}{inside:>24s}{_rms(photos):7.2f}{_far(photos):33d}"


def _rms(photos: Sequence[Judged]) -> float:
    """Return the rms over photos of each photo's rms of error over standard uncertainty."""
    return float(np.sqrt(np.mean([rows.rms_normalised**2 for rows in photos])))


def _far(photos: Sequence[Judged]) -> int:
    return sum(float(np.mean(rows.far_outside)) > FAR_MOST for rows in photos)


def _lengths(scores: Mapping[str, Sequence[Score]]) -> str:
    photos = [s for row in LENGTH_ROWS for s in scores.get(row, ())]
    if not photos:
        return ""
    given = [s.length for s in photos if s.length.error_mm is not None]
    within = sum(s.length.within for s in photos)
    share = within / len(photos)
    lines = [
        "Length, piece on the bench with card or board; no length counts as a miss",
        f"  within the larger of 0.3 mm and 0.15 %: {within} of {len(photos)} "
        f"({100 * share:.0f} %, target 95 %) {_verdict(share >= LENGTH_SHARE)}",
    ]
    if given:
        pairs = [(g.error_mm or 0.0, g.u95_mm or math.nan) for g in given]
        inside = sum(abs(e) <= u for e, u in pairs)
        far = sum(abs(e) > 2.0 * u for e, u in pairs)
        rms = float(np.sqrt(np.mean([(1.96 * e / u) ** 2 for e, u in pairs])))
        lines.append(
            f"  inside U95: {inside} of {len(given)} given; rms of error / (U95 / 1.96) {rms:.2f}; "
            f"beyond 2 U95: {far}; median U95 {np.median([u for _, u in pairs]):.2f} mm"
        )
    return "\n".join(lines)


def _visible(scores: Mapping[str, Sequence[Score]]) -> str:
    lines = ["Visible profile reported, mm of axis (refused: nothing)"]
    total = reported = 0.0
    for row, photos in scores.items():
        if not photos:
            continue
        visible = sum(s.visible_mm for s in photos)
        got = sum(s.seen.reported_mm for s in photos if s.seen is not None)
        beyond = sum(s.seen.beyond_mm for s in photos if s.seen is not None)
        worst = min(0.0 if s.seen is None else s.seen.share for s in photos)
        lines.append(
            f"  {TARGETS[row].title:47s}{100 * got / visible:6.1f} %, worst photo "
            f"{100 * worst:5.1f} %; reported though hidden {beyond:.1f} mm"
        )
        total, reported = total + visible, reported + got
    if total == 0.0:
        return ""
    share = reported / total
    lines.append(f"  all {100 * share:.1f} %, target 97 %: {_verdict(share >= SEEN_LEAST)}")
    return "\n".join(lines)


def _rows(photos: Sequence[Score]) -> list[Judged]:
    return [s.rows for s in photos if s.rows is not None]


def _length(score: Score) -> str:
    length = score.length
    if length.error_mm is None or length.u95_mm is None:
        return "cut"
    return f"{length.error_mm:+.2f} ± {length.u95_mm:.2f}"


def _q95(errors: np.ndarray) -> float:
    return float(np.quantile(errors, 0.95, method="higher"))


def _mm(value: float) -> str:
    if math.isnan(value):
        return "-"
    return "refused" if math.isinf(value) else f"{value:.3f}"


def _percent(mask: np.ndarray) -> str:
    return f"{100.0 * float(np.mean(mask)):.1f} %"


def _interval(share: float, low: float, high: float) -> str:
    if math.isnan(share):
        return "-"
    return f"{100 * share:.1f} % ({100 * low:.0f} to {100 * high:.0f})"


def _verdict(hit: bool) -> str:
    return "hit" if hit else "MISS"
