"""How true a plan is that is read off a photo of a drawing: drawn sheets, synthetic photos.

Run from the top folder: python -m tests.benchmarks.drawing [sheets]. The photos are computed with
numpy and OpenCV, neither rendered nor photographed: 2016 x 1512, an A5 sheet, invented spindles of
130 mm with beads, coves and fillets, half and full profiles by turns, pencil of 0.3 to 0.9 mm,
grain, smudges, dimension lines, text, a bowed sheet, a lens that is off. Every draw counts.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "measure" / "drawing"))

from sheets import Sketch, photo_of, turning

from calib.refusal import RefusalError
from measure.drawing import measure_drawing
from measure.drawingrequest import DrawingRequest
from tests.benchmarks.scoring import in_truth, judged

LENGTH_MM = 130.0
WITHIN_MM, SHARE = 0.2, 0.95


def drawn(number: int) -> Sketch:
    """Return the sketch of that number."""
    rng = np.random.default_rng([7, number])
    return Sketch(
        rows=turning(number + 40, LENGTH_MM, 30.0),
        half=bool(number % 2),
        pencil_mm=float(rng.uniform(0.3, 0.9)),
        grain=float(rng.uniform(0.3, 0.7)),
        darkness=float(rng.uniform(0.4, 0.75)),
        bow_mm=float(rng.uniform(-0.3, 0.5)),
        k1=float(rng.normal(0.0, 0.005)),
        tilt_deg=float(rng.uniform(0.0, 18.0)),
        focal_error=float(rng.uniform(-0.02, 0.02)),
        rotate_deg=float(rng.uniform(-4.0, 4.0)),
        sheet_mm=(210.0, 148.0),
        size_px=(2016, 1512),
        distance_mm=225.0,
        seed=number + 60,
    )


def main() -> None:
    """Measure the sheets and print a line each."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 12
    hits, inside, wrong, refused = 0, [], 0, 0
    for number in range(count):
        sketch = drawn(number)
        name = f"{number:2d} {'half' if sketch.half else 'full'}, pencil {sketch.pencil_mm:.1f}"
        photo, _ = photo_of(sketch)
        began = time.process_time()
        try:
            drawing = measure_drawing(photo, DrawingRequest())
        except RefusalError as error:
            print(f"{name}: REFUSED {error.notice.code}", flush=True)
            refused += 1
            continue
        took, result = time.process_time() - began, drawing.result
        both = [
            judged(in_truth(result.profile, LENGTH_MM if back else 0.0, back), sketch.rows)
            for back in (False, True)
        ]
        rows = min(both, key=lambda rows: float(np.median(np.abs(rows.error_mm))))
        share = float(np.mean(np.abs(rows.error_mm) <= WITHIN_MM))
        hits += share >= SHARE
        inside.append(float(np.mean(rows.inside)))
        wrong += (drawing.profile == "half") != sketch.half
        off = (result.length_mm or np.nan) - LENGTH_MM
        length = f"length {off:+.2f} ±{result.length_u95_mm:.2f}"
        print(
            f"{name}: read as {drawing.profile}, {share:.1%} within {WITHIN_MM} mm, mean "
            f"{np.mean(rows.error_mm[~rows.steep]):+.2f}, inside U95 {inside[-1]:.1%} (U95 "
            f"{np.median(result.profile.u95_mm):.2f}), {length}, "
            f"{took:.1f} s {' '.join(n.code for n in result.notices)}",
            flush=True,
        )
    print(
        f"{hits} of {count} sheets have {SHARE:.0%} of their rows within {WITHIN_MM} mm; {refused} "
        f"refused, {wrong} misread; inside U95 {np.mean(inside):.1%} of rows"
    )


if __name__ == "__main__":
    main()
