"""How well a check finds what is wrong: exact profiles with planted errors and drawn noise.

Run from the top folder: python -m tests.benchmarks.check [draws]. The profiles are computed, not
photographed: one shared scale error and local errors that are alike over 1 mm, both drawn from
the uncertainty that the profile states. Every draw counts; the seed is fixed.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from measure.caliper import CALIPER_SD_MM, with_readings
from measure.check import CheckRequest, check
from measure.judge import OUTSIDE, UNSURE, WITHIN
from measure.measured import Measured
from tests.measure.check.checkpieces import (
    LENGTH,
    Noise,
    bump,
    flipped,
    measured_copy,
    mill_diameter,
    mill_plan,
    rows_with_shoulders,
)

SETUPS = {
    "card, phone tilted 25 deg": Noise(scale=0.0005, local=0.02),
    "card, phone tilted 8 deg": Noise(scale=0.0012, local=0.03),
    "upright": Noise(scale=0.003, local=0.06),
}
TOLERANCE = (0.3, 0.3)


def draw(shape, noise, rng, length=LENGTH, turned=False) -> Measured:
    piece = measured_copy(*rows_with_shoulders(shape, length), noise, rng)
    return flipped(piece) if turned else piece


def planted(size, centre=None, width=6.0):
    return lambda z: mill_diameter(z) + bump(z, centre, width, size)


def perfect(plan, noise, draws, rng):
    alarms, outside, within, rows = 0, 0, 0, 0
    for _ in range(draws):
        result = check(draw(mill_diameter, noise, rng), plan, CheckRequest(TOLERANCE, pair=False))
        alarms += result.verdict == OUTSIDE
        outside += int(np.sum(result.rows.verdict == OUTSIDE))
        within += int(np.sum(result.rows.verdict == WITHIN))
        rows += len(result.rows)
    print(
        f"  perfect copy: {alarms} of {draws} checks alarm; rows outside {outside}, "
        f"within {100 * within / rows:.1f} %"
    )


def errors(plan, noise, draws, rng):
    for size in (0.3, -0.3, 0.5, -0.5, 1.0, -1.0):
        found, places, sizes, covered = 0, [], [], 0
        for _ in range(draws):
            centre, width = rng.uniform(20.0, 75.0), rng.uniform(5.0, 12.0)
            result = check(
                draw(planted(size, centre, width), noise, rng),
                plan,
                CheckRequest(TOLERANCE, pair=False),
            )
            near = [
                p
                for p in result.places
                if np.sign(p.deviation_mm) == np.sign(size)
                and p.z_from_mm < centre + width / 2
                and p.z_to_mm > centre - width / 2
            ]
            if not near:
                continue
            place = max(near, key=lambda p: abs(p.deviation_mm))
            found += 1
            # Placed: the stretch's two ends against the planted ones.
            places.append(
                max(
                    abs(place.z_from_mm - centre + width / 2),
                    abs(place.z_to_mm - centre - width / 2),
                )
            )
            sizes.append(place.deviation_mm - size)
            covered += abs(place.deviation_mm - size) <= 1.2 * place.u95_mm
        n = max(found, 1)
        within = np.mean(np.abs(sizes) <= 0.15) if sizes else 0.0
        print(
            f"  planted {size:+.1f}: found {100 * found / draws:.0f} %, ends within 1 mm "
            f"{100 * np.mean(np.array(places) <= 1.0) if places else 0:.0f} %, size within "
            f"0.15 mm {100 * within:.0f} %, within 1.2 U95 {100 * covered / n:.0f} %"
        )


def bead(plan, noise, draws, rng):
    found, off = 0, []
    for _ in range(draws):
        shift = float(rng.choice([-1.0, 1.0]))
        result = check(
            draw(lambda z, shift=shift: mill_diameter(z, shift), noise, rng),
            plan,
            CheckRequest(TOLERANCE, pair=False),
        )
        moved = [m for m in result.moved if m.kind == "bead" and abs(m.z_mm - 90.0) < 1.0]
        found += bool(moved)
        off += [m.move_mm - shift for m in moved]
    print(
        f"  bead moved 1 mm: found {100 * found / draws:.0f} %, off by rms "
        f"{np.sqrt(np.mean(np.square(off))):.2f} mm, worst {np.max(np.abs(off)):.2f}"
    )


def small(plan, noise, draws, rng):
    told, hedged, wrong = 0, 0, 0
    for _ in range(draws):
        piece = draw(lambda z: 0.995 * mill_diameter(z / 0.995), noise, rng)
        uniform = check(piece, plan, CheckRequest(TOLERANCE, pair=False)).uniform
        told += uniform is not None and uniform.found and uniform.deviation_mm < 0.0
        hedged += uniform is not None and uniform.noticed and not uniform.found
        wrong += uniform is None
    right = 0
    for _ in range(draws):
        uniform = check(
            draw(mill_diameter, noise, rng), plan, CheckRequest(TOLERANCE, pair=False)
        ).uniform
        right += uniform is None or not uniform.found
    print(
        f"  0.5 % small (0.28 mm at 56; common U95 {1.96 * noise.scale * 56:.2f}): found "
        f"{100 * told / draws:.0f} %, said to be not distinguishable {100 * hedged / draws:.0f} "
        f"%, missed {100 * wrong / draws:.0f} %; true size: none found "
        f"{100 * right / draws:.0f} %"
    )


def laid(plan, noise, draws, rng):
    flips, longer = [], []
    for _ in range(draws):
        result = check(
            draw(planted(0.5, 40.0), noise, rng, turned=True),
            plan,
            CheckRequest(TOLERANCE, pair=False),
        )
        flips.append(result.placement.flipped)
        result = check(
            draw(lambda z: mill_diameter(z + 40.0), noise, rng, length=140.0),
            plan,
            CheckRequest(TOLERANCE, pair=False),
        )
        longer.append(
            abs(result.placement.offset_mm - 40.0) < 0.3
            and any(n.code == "plan-longer" for n in result.notices)
        )
    print(
        f"  flipped piece found {100 * np.mean(flips):.0f} %; plan 40 mm longer: laid within "
        f"0.3 mm and said {100 * np.mean(longer):.0f} %"
    )


def honest(plan, noise, draws, rng):
    """Wavy errors of all sizes: false verdicts, firm verdicts, coverage."""
    rows = wrong_in = wrong_out = firm = sure = covered = said = settled = 0
    for _ in range(draws):
        waves = [(rng.uniform(0, 1), rng.uniform(15, 90), rng.uniform(0, 0.45)) for _ in range(3)]

        def extra(z, waves=waves):
            return sum(a * np.sin(2 * np.pi * (z / w + p)) for p, w, a in waves)

        piece = draw(lambda z, e=extra: mill_diameter(z) + e(z), noise, rng)
        result = check(piece, plan, CheckRequest(TOLERANCE, datum="start", pair=False))
        r = result.rows
        use = ~r.normal & (r.slope < 0.5)
        truth = extra(r.z_mm)
        beyond = np.abs(truth) - TOLERANCE[0]
        v = r.verdict
        rows += int(np.sum(use))
        wrong_in += int(np.sum(use & (v == WITHIN) & (beyond > 0)))
        wrong_out += int(np.sum(use & (v == OUTSIDE) & (beyond <= 0)))
        far = use & (np.abs(beyond) > 1.5 * r.u95_mm)
        sure += int(np.sum(far))
        firm += int(np.sum(far & (v != UNSURE)))
        covered += int(np.sum(use & (np.abs(r.deviation_mm - truth) <= r.u95_mm)))
        a, b = read_again(result, piece, plan, rng, extra)
        said, settled = said + a, settled + b
    print(
        f"  wavy copies: false within {100 * wrong_in / rows:.2f} %, false outside "
        f"{100 * wrong_out / rows:.2f} %, inside U95 {100 * covered / rows:.1f} %; firm where "
        f"beyond 1.5 U95: {100 * firm / max(sure, 1):.1f} %"
    )
    print(
        f"  advised readings: said to settle {said:.0f} mm, settled {settled:.0f} mm "
        f"({100 * settled / max(said, 1e-9):.0f} %)"
    )


def read_again(result, piece, plan, rng, extra) -> tuple[float, float]:
    """Take the advised readings on the true piece and check again."""
    advice = result.advice
    if not advice.readings:
        return 0.0, 0.0
    taken = []
    for reading in advice.readings:
        z = np.array([reading.z_mm])
        true = float((mill_diameter(z) + extra(z))[0])
        taken.append((reading.piece_z_mm, true + CALIPER_SD_MM * rng.standard_normal()))
    again = Measured(
        piece.name, with_readings(piece.profile, taken), piece.length_mm, piece.length_u95_mm
    )
    after = check(again, plan, CheckRequest(TOLERANCE, datum="start", pair=False))
    unsure_before = result.rows.z_mm[result.rows.verdict == UNSURE]
    unsure_after = after.rows.z_mm[after.rows.verdict == UNSURE]
    still = np.isin(np.round(unsure_before, 3), np.round(unsure_after, 3))
    return advice.settles_mm, 0.25 * float(np.sum(~still))


def main() -> None:
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    plan = mill_plan()
    for name, noise in SETUPS.items():
        rng = np.random.default_rng(20260101)
        typical = 1.96 * np.hypot(noise.scale * 48.0, noise.local)
        print(f"{name}: U95 of a 48 mm diameter {typical:.2f} mm, tolerance ±0.3")
        for part in (perfect, errors, bead, small, laid, honest):
            part(plan, noise, draws, rng)
    times = []
    for _ in range(10):
        piece = draw(planted(0.5, 40.0), SETUPS["upright"], rng)
        began = time.perf_counter()
        check(piece, plan, CheckRequest(TOLERANCE, pair=False))
        times.append(time.perf_counter() - began)
    print(f"time of one check: median {1000 * np.median(times):.0f} ms")


if __name__ == "__main__":
    main()
