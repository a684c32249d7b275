"""Three photos of one piece that was not moved, as one: how true, against each by itself.

Run from the top folder: python -m tests.benchmarks.several --photos DIR [--render] [--count 8].
A set of which no photo can be measured is a miss; nothing is left out.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from calib.refusal import RefusalError
from measure.measured import read_measured
from measure.result import TraceRequest
from measure.startend import starts_far
from measure.turnedjob import trace_photos
from sample_images.rendering.photo import take, taken
from sample_images.rendering.scene import Scene
from tests.benchmarks.groundtruth import read_truth
from tests.benchmarks.scoring import Judged, bootstrap_share, in_truth, judged, pooled
from tests.benchmarks.severalscenes import triple
from tests.benchmarks.tracedphoto import score_photo

__all__ = ["main"]

TARGET_MM = 0.10


def main() -> None:
    """Read the options, render what is missing, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, required=True, metavar="DIR")
    parser.add_argument("--render", action="store_true")
    parser.add_argument("--count", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    print("mm on the diameter; the median over the photos by themselves in brackets")
    print(f"{'set':18s}{'median':>16s}{'95 %':>16s}{'U95':>16s}{'in U95':>8s}{'rms':>6s}  said")
    sets: list[Judged] = []
    refused_mm: list[float] = []
    for number in range(options.count):
        scenes = triple(number, options.seed)
        paths = [options.photos / f"{scene.name}.jpg" for scene in scenes]
        if options.render:
            for scene in scenes:
                if not taken(scene, options.photos):
                    take(scene, options.photos)
        if not all(taken(scene, options.photos) for scene in scenes):
            print(f"{scenes[0].name[:-2]:18s} not rendered, or of an earlier draw")
            continue
        rows, said = _as_one(paths)
        if rows is None:
            refused_mm.append(sum(b - a for a, b in read_truth(paths[0]).visible))
            print(f"{scenes[0].name[:-2]:18s} REFUSED {said}")
            continue
        sets.append(rows)
        print(_line(scenes, paths, rows, said), flush=True)
    print(_summary(sets, refused_mm))


def _as_one(paths: list[Path]) -> tuple[Judged | None, str]:
    """Return the rows that all photos give as one, and the codes of what was said."""
    with TemporaryDirectory() as folder:
        out = Path(folder) / "out"
        try:
            outcome = trace_photos(
                paths, None, TraceRequest(), out=out, inches=False, report=False, quietly=True
            )
        except RefusalError as error:
            return None, error.notice.code
        profile = read_measured(out).profile
    truth = read_truth(next(p for p in paths if p.name == outcome.data["photo"]))
    backward = starts_far(np.array(truth.data["axis_px"]), None)
    zero = truth.length_mm if backward else 0.0
    codes = ", ".join(notice.code for notice in outcome.notices)
    return judged(in_truth(profile, zero, backward), truth.meridian), codes


def _line(scenes: list[Scene], paths: list[Path], rows: Judged, said: str) -> str:
    alone = [s.rows for s in map(score_photo, paths) if s.rows is not None]
    figures = []
    for of in (
        lambda r: float(np.median(np.abs(r.error_mm))),
        lambda r: float(np.quantile(np.abs(r.error_mm), 0.95)),
        lambda r: float(np.median(r.u95_mm)),
    ):
        by_itself = float(np.median([of(r) for r in alone])) if alone else float("nan")
        figures.append(f"{of(rows):.3f} ({by_itself:.3f})")
    return (
        f"{scenes[0].name[:-2]:18s}{''.join(f'{f:>16s}' for f in figures)}"
        f"{100.0 * rows.inside.mean():7.1f}%{rows.rms_normalised:6.2f}  {said}"
    )


def _summary(sets: list[Judged], refused_mm: list[float]) -> str:
    pool = pooled(sets, refused_mm)
    if not sets:
        return "nothing was measured"
    inside = np.concatenate([rows.inside for rows in sets]).mean()
    _, low, high = bootstrap_share([rows.inside for rows in sets])
    rms = float(np.sqrt(np.mean([rows.rms_normalised**2 for rows in sets])))
    far = sum(float(np.mean(rows.far_outside)) > 0.05 for rows in sets)
    reach = pool.quantile(0.95)
    verdict = "hit" if reach <= TARGET_MM else "MISS"
    return (
        f"\nall {len(sets)} sets, {len(refused_mm)} refused: 95 % within {reach:.3f} mm, target "
        f"{TARGET_MM:.2f} {verdict}; median {pool.quantile(0.5):.3f}; within the target "
        f"{100.0 * pool.share_within(TARGET_MM):.1f} %\n"
        f"in U95 {100.0 * inside:.1f} % ({100.0 * low:.0f} to {100.0 * high:.0f}; 90 to 98 "
        f"wanted), rms {rms:.2f} (0.7 to 1.3), sets with more than 5 % beyond 2 U95: {far}"
    )


if __name__ == "__main__":
    main()
