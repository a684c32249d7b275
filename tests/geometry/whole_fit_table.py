"""Print how right the joint estimate and its uncertainties are, from outlines without a picture.

    python tests/geometry/whole_fit_table.py [PHOTOS]

Photos are drawn from the stated priors with 0.1 px of noise; see test_whole_fit.py.
"""

import sys

import numpy as np
from exact_scene import PLACES, drawn, judged, point_errors

TITLES = (
    "set-up   photos  refused  rms   rms calm  in U95  >2U95  median  95 %    U95     length"
    "        seen"
)


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def row(setup, photos):
    found, refused = [], 0
    for seed in range(photos):
        try:
            found.append(judged(*drawn(setup, (77, seed))))
        except Exception:  # a table counts what fails, whatever it is
            refused += 1
    if not found:
        return f"{setup:8} {0:6} {refused:8}"
    every = rms([rms(p.normalised()) for p in found])
    calm = rms([rms(p.normalised()[p.calm]) for p in found])
    inside = np.mean([np.mean(np.abs(p.error_mm) <= p.u95_mm) for p in found])
    far = sum(np.mean(np.abs(p.error_mm) > 2.0 * p.u95_mm) > 0.05 for p in found)
    middle = np.median([np.median(np.abs(p.error_mm)) for p in found])
    most = np.median([np.percentile(np.abs(p.error_mm), 95) for p in found])
    u95 = np.median([np.median(p.u95_mm) for p in found])
    length = np.array([p.length_error_mm for p in found])
    ratio = rms([p.length_error_mm / (p.length_u95_mm / 1.96) for p in found])
    seen = np.mean([p.covered for p in found])
    return (
        f"{setup:8} {len(found):6} {refused:8} {every:5.2f} {calm:9.2f} {inside:8.3f} {far:6} "
        f"{middle:7.3f} {most:7.3f} {u95:7.3f} {length.mean():+6.2f}/{ratio:4.2f} {seen:9.3f}"
    )


def exact_row(setup, photos=5):
    worst = []
    for seed in range(photos):
        try:
            worst.append(np.percentile(np.abs(point_errors(*drawn(setup, seed, 0.0, 0.0))), 95))
        except Exception:
            worst.append(np.nan)
    return f"{setup:8} " + " ".join(f"{w:8.4f}" for w in worst)


def main():
    photos = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    print("Errors in mm of the diameter; rms of error / (U95 / 1.96); length: mean error / rms")
    print(TITLES)
    for setup in PLACES:
        print(row(setup, photos), flush=True)
    print("Without noise, priors met exactly: 95 % of the diameters within, mm, one a photo")
    for setup in PLACES:
        print(exact_row(setup), flush=True)


if __name__ == "__main__":
    main()
