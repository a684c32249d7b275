"""What `measure check` finds of errors planted in rendered pieces, from photo to verdict.

Run from the top folder: python -m tests.benchmarks.planted --photos DIR [--render]. The photos are
rendered once, about a minute each, and stay. Nothing is left out: a photo that is refused, or an
error that is not listed, is a miss.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.photo import read_photo
from calib.refusal import RefusalError
from measure.caliper import CALIPER_SD_MM, with_readings
from measure.check import CheckRequest, CheckResult, check
from measure.judge import OUTSIDE, UNSURE, WITHIN
from measure.measured import Measured
from measure.places import Place
from measure.plan import Plan
from measure.planmaking import checked_plan
from measure.profile import GRID_MM, Profile
from measure.trace import trace
from tests.benchmarks.accuracytable import TARGETS
from tests.benchmarks.groundtruth import read_truth
from tests.benchmarks.plantedscenes import CASES, PLANS, Case, Error, piece_of, scene_of

__all__ = ["main"]

FloatArray = NDArray[np.float64]

TOLERANCE = (0.3, 0.3)
REQUEST = CheckRequest(TOLERANCE, pair=False)
TARGET_U95_MM = TARGETS["id1_tilted"].most_95_mm
LONGER_MM = 40.0
READINGS = 40
"""Draws of the caliper readings that are fed back."""


@dataclass(frozen=True, slots=True)
class Checked:
    """One photo checked, beside the check of the true meridian."""

    case: Case
    piece: Measured
    result: CheckResult
    truth: CheckResult
    check_seconds: float


def plan_of(name: str) -> Plan:
    """Return a planned meridian as a drawn plan."""
    zr = PLANS[name]
    return checked_plan(name, zr[:, 0], 2.0 * zr[:, 1])


def exact(zr: FloatArray) -> Measured:
    """Return a true meridian as if it had been measured without error."""
    z = np.arange(0.0, zr[-1, 0] + 1e-9, GRID_MM)
    jumps = zr[:-1][np.diff(zr[:, 0]) == 0.0, 0]
    z = z[np.all(np.abs(z[:, None] - jumps) > 1e-6, axis=1)] if len(jumps) else z
    r = np.interp(z, zr[:, 0], zr[:, 1])
    corners = zr[np.isin(zr[:, 0], jumps)]
    order = np.argsort(np.concatenate([z, corners[:, 0]]), kind="stable")
    z, r = np.concatenate([z, corners[:, 0]])[order], np.concatenate([r, corners[:, 1]])[order]
    sure = np.full_like(z, 1e-3)
    return Measured("truth", Profile(z, 2.0 * r, sure, 0.5 * sure), float(zr[-1, 0]), 1e-3)


def checked(photo: Path, case: Case) -> Checked | str:
    """Trace and check a photo; the code of the refusal if it is refused."""
    plan = plan_of(case.plan)
    try:
        piece = Measured.of_trace(trace(read_photo(photo), read_truth(photo).request()))
        began = time.perf_counter()
        result = check(piece, plan, REQUEST)
    except RefusalError as error:
        return error.notice.code
    took = time.perf_counter() - began
    return Checked(case, piece, result, check(exact(piece_of(case)), plan, REQUEST), took)


def found_place(result: CheckResult, error: Error) -> Place | None:
    """Return the listed place of the error's side that lies nearest to it and touches it."""
    half = 0.5 * error.width_mm
    near = [
        place
        for place in result.places
        if place.proud == (error.size_mm > 0.0)
        and place.z_from_mm < error.z_mm + half
        and place.z_to_mm > error.z_mm - half
    ]
    return min(near, key=lambda place: abs(place.z_mm - error.z_mm), default=None)


def report_errors(one: Checked) -> list[tuple[Error, bool, bool, bool]]:
    """Print each planted error; return (error, found, placed, sized)."""
    lines = []
    for error in one.case.errors:
        place = found_place(one.result, error)
        if place is None:
            print(f"  {error.size_mm:+.1f} at {error.z_mm:5.1f}: NOT LISTED")
            lines.append((error, False, False, False))
            continue
        true = found_place(one.truth, error)
        middle = 0.5 * (place.z_from_mm + place.z_to_mm)
        aim = error.z_mm if true is None else 0.5 * (true.z_from_mm + true.z_to_mm)
        size = error.size_mm if true is None else true.deviation_mm
        placed, off = abs(middle - aim) <= 1.0, place.deviation_mm - size
        print(
            f"  {error.size_mm:+.1f} at {error.z_mm:5.1f}: {place.verdict:8s}"
            f"{place.deviation_mm:+.2f} ±{place.u95_mm:.2f} at {place.z_from_mm:.1f} to "
            f"{place.z_to_mm:.1f}; middle off by {middle - aim:+.1f}, size by {off:+.2f}"
        )
        lines.append((error, True, placed, abs(off) <= 0.15))
    return lines


def row_counts(one: Checked) -> dict[str, int]:
    """Count verdicts of rows that are judged by diameter against the true deviations."""
    rows, true = one.result.rows, one.truth.rows
    flat = ~true.normal
    use = ~rows.normal & (rows.slope < 0.5)
    use &= np.min(np.abs(rows.z_mm[:, None] - true.z_mm[flat][None, :]), axis=1) < GRID_MM
    deviation = np.interp(rows.z_mm, true.z_mm[flat], true.deviation_mm[flat])
    beyond = np.abs(deviation) - TOLERANCE[0]
    far = use & (np.abs(beyond) > 1.5 * TARGET_U95_MM)
    v = rows.verdict
    return {
        "rows": int(np.sum(use)),
        "false_within": int(np.sum(use & (v == WITHIN) & (beyond > 0.0))),
        "false_outside": int(np.sum(use & (v == OUTSIDE) & (beyond <= 0.0))),
        "inside_u95": int(np.sum(use & (np.abs(rows.deviation_mm - deviation) <= rows.u95_mm))),
        "far": int(np.sum(far)),
        "firm": int(np.sum(far & (v != UNSURE))),
    }


def fed_back(one: Checked, rng: np.random.Generator) -> tuple[float, float]:
    """Return (promised, settled) mm of the advised readings, means over drawn caliper errors."""
    advice, rows = one.result.advice, one.result.rows
    if not advice.readings:
        return 0.0, 0.0
    plan, settled = plan_of(one.case.plan), []
    true = one.truth.rows
    for _ in range(READINGS):
        taken = []
        for reading in advice.readings:
            diameter = float(np.interp(reading.z_mm, true.z_mm, true.diameter_mm))
            taken.append((reading.piece_z_mm, diameter + CALIPER_SD_MM * rng.standard_normal()))
        try:
            again = replace(one.piece, profile=with_readings(one.piece.profile, taken))
        except RefusalError:
            settled.append(0.0)
            continue
        after = check(again, plan, REQUEST).rows
        open_after = after.z_mm[after.verdict == UNSURE]
        before = rows.z_mm[rows.verdict == UNSURE]
        apart = np.abs(before[:, None] - open_after[None, :]) if len(open_after) else None
        still = np.zeros(len(before), bool) if apart is None else apart.min(axis=1) < 0.13
        settled.append(GRID_MM * float(np.sum(~still)))
    return advice.settles_mm, float(np.mean(settled))


def report_laying(one: Checked) -> None:
    """Print whether the piece is found the other way round, and on a longer plan."""
    zr = PLANS[one.case.plan]
    back = np.column_stack([zr[-1, 0] - zr[::-1, 0], zr[::-1, 1]])
    turned = check(one.piece, checked_plan("turned", back[:, 0], 2.0 * back[:, 1]), REQUEST)
    was, now = one.result.placement, turned.placement
    right = now.flipped != was.flipped
    print(f"  plan turned end for end: {'found' if right else 'NOT FOUND'}")
    longer = np.concatenate([zr, [[zr[-1, 0] + LONGER_MM, zr[-1, 1]]]])
    result = check(one.piece, checked_plan("longer", longer[:, 0], 2.0 * longer[:, 1]), REQUEST)
    moved = result.placement.offset_mm - was.offset_mm
    said = any(notice.code == "plan-longer" for notice in result.notices)
    same_way = result.placement.flipped == was.flipped
    print(
        f"  plan {LONGER_MM:g} mm longer: laid {moved:+.2f} mm off, "
        f"{'same way round' if same_way else 'TURNED'}, {'said' if said else 'NOT SAID'}"
    )


def report_one(one: Checked) -> None:
    """Print what is asked of one case beside its planted errors."""
    rows = one.result.rows
    shares = [f"{word} {np.mean(rows.verdict == word):.0%}" for word in (OUTSIDE, UNSURE, WITHIN)]
    print(
        f"{one.case.name}: {one.result.verdict}, U95 {np.median(rows.u95_mm):.2f} (shared "
        f"{np.median(rows.u95_common_mm):.2f}), rows {', '.join(shares)}"
    )
    if not one.case.errors and one.case.bead is None and one.case.scale == 1.0:
        print(
            f"  true to the plan: {'FALSE ALARM' if one.result.verdict == OUTSIDE else 'no alarm'}"
        )
    if one.case.bead is not None:
        low, high, shift = one.case.bead
        hits = [m for m in one.result.moved if m.z_from_mm < high and m.z_to_mm > low]
        told = ", ".join(f"{m.kind} at {m.z_mm:.1f} moved {m.move_mm:+.2f}" for m in hits)
        print(f"  bead moved {shift:+.1f}: {told or 'NOT FOUND'}")
    if one.case.scale != 1.0:
        uniform, true = one.result.uniform, one.truth.uniform
        aim = "" if true is None else f" (true {true.deviation_mm:+.2f})"
        if uniform is None:
            print(f"  all of it {100 * (one.case.scale - 1):+.1f} %: NOT NOTICED{aim}")
        else:
            word = "found" if uniform.found else "not to be told from the photo's own scale"
            print(
                f"  all of it {100 * (one.case.scale - 1):+.1f} %: {uniform.deviation_mm:+.2f} "
                f"±{uniform.u95_mm:.2f} mm at {uniform.reference_mm:.0f}{aim}: {word}"
            )


def main() -> None:
    """Read the options, render what is missing, and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--photos", type=Path, required=True, metavar="DIR")
    parser.add_argument("--render", action="store_true", help="render photos that are not there")
    options = parser.parse_args()
    if options.render:
        from sample_images.rendering.photo import take, taken

        for case in CASES:
            if not taken(scene_of(case), options.photos):
                print(take(scene_of(case), options.photos).name, flush=True)
    print(f"tolerance ±{TOLERANCE[0]:g} mm, target U95 {TARGET_U95_MM:g} mm")
    found: list[tuple[Error, bool, bool, bool]] = []
    total: dict[str, int] = {}
    promised = settled = 0.0
    seconds, refused = [], 0
    rng = np.random.default_rng(3)
    for case in CASES:
        one = checked(options.photos / f"{case.name}.jpg", case)
        if isinstance(one, str):
            print(f"{case.name}: REFUSED {one}")
            refused += 1
            found += [(error, False, False, False) for error in case.errors]
            continue
        report_one(one)
        found += report_errors(one)
        if not case.errors and case.bead is None and case.scale == 1.0:
            report_laying(one)
        for key, count in row_counts(one).items():
            total[key] = total.get(key, 0) + count
        a, b = fed_back(one, rng)
        promised, settled = promised + a, settled + b
        seconds.append(one.check_seconds)
    report_total(found, total, refused)
    if promised > 0.0:
        print(f"advised readings: said {promised:.0f} mm, settled {settled / promised:.0%} of it")
    if seconds:
        print(
            f"one check takes {1000 * np.median(seconds):.0f} ms, at most {1000 * max(seconds):.0f}"
        )


def report_total(
    found: list[tuple[Error, bool, bool, bool]], total: dict[str, int], refused: int
) -> None:
    """Print the shares over all photos."""
    print(f"photos refused: {refused} of {len(CASES)}")
    for size in (0.3, 0.5, 1.0):
        mine = [entry for entry in found if abs(abs(entry[0].size_mm) - size) < 1e-9]
        shares = [np.mean([entry[k] for entry in mine]) for k in (1, 2, 3)]
        print(
            f"planted {size:.1f} mm ({len(mine)}): found {shares[0]:.0%}, placed within 1 mm "
            f"{shares[1]:.0%}, sized within 0.15 mm {shares[2]:.0%}"
        )
    if total.get("rows"):
        rows, far = total["rows"], max(total["far"], 1)
        print(
            f"rows {rows}: false within {total['false_within'] / rows:.2%}, false outside "
            f"{total['false_outside'] / rows:.2%}, inside U95 {total['inside_u95'] / rows:.1%}; "
            f"firm where beyond 1.5 times the target U95: {total['firm'] / far:.1%} of {far}"
        )


if __name__ == "__main__":
    main()
