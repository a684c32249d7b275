"""How true ovals are that three photos of a turned piece give, on computed profiles.

Run from the top folder: python -m tests.benchmarks.ovality [draws]. A mill whose sections are
ellipses, widest in any direction, is seen after turns of 0, 60 and 120 degrees. Each photo has a
scale error of its own and local errors alike over a millimetre, as large as it says; its start is
off by 0.1 mm. No picture is involved.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "measure" / "check"))

from checkpieces import Noise, correlated, mill_diameter, rows_with_shoulders

from measure.profile import Profile
from measure.result import TraceResult
from measure.turned import Together, bring_together

SETUPS = {
    "card, phone tilted 25 deg": Noise(scale=0.0006, local=0.02),
    "card, phone tilted 8 deg": Noise(scale=0.0013, local=0.03),
    "upright": Noise(scale=0.003, local=0.05),
}
TURNS = np.deg2rad([0.0, 60.0, 120.0])
OVAL_MM, WITHIN_MM, START_SD_MM = 0.5, 0.2, 0.1
THICK_MM = 48.0


def seen(oval_mm: float, widest: float, turn: float, noise: Noise, rng) -> Profile:
    """Return what a photo gives of the oval mill after a turn."""
    z, d = rows_with_shoulders(mill_diameter)
    a, b = 0.5 * (d + 0.5 * oval_mm), 0.5 * (d - 0.5 * oval_mm)
    off = turn - widest
    width = 2.0 * np.hypot(a * np.cos(off), b * np.sin(off))
    scale = 1.0 + noise.scale * rng.standard_normal()
    width = width * scale + correlated(z, noise, rng)
    common = 1.96 * noise.scale * d
    z = np.maximum(z * scale + START_SD_MM * rng.standard_normal(), 0.0)
    keep = np.concatenate([[True], np.diff(z) > 0.0]) | (np.diff(z, prepend=-1.0) == 0.0)
    u95 = np.hypot(common, 1.96 * noise.local)
    return Profile(z[keep], width[keep], u95[keep], common[keep])


def together(oval_mm: float, noise: Noise, rng) -> Together:
    """Return three photos of an oval mill brought together."""
    widest = rng.uniform(0.0, np.pi)
    profiles = [seen(oval_mm, widest, turn, noise, rng) for turn in TURNS]
    results = [
        TraceResult(
            photo_name=f"{k}.jpg", setup="bench", scale_from="", lens_from="", z_zero="end",
            length_mm=180.0, length_u95_mm=0.3, profile=profile, notices=(), left_out=(),
            outline_px=np.zeros((0, 2)), outline_z_mm=np.zeros(0), axis_px=np.zeros((2, 2)),
            target_px=np.zeros((4, 2)), tilt_deg=20.0, px_per_mm=8.0,
        )
        for k, profile in enumerate(profiles)
    ]  # fmt: skip
    return bring_together(results, TURNS)


def main() -> None:
    """Print a line for each set-up."""
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    print(f"oval by {OVAL_MM} mm, wanted: found, and sized within {WITHIN_MM} mm")
    for name, noise in SETUPS.items():
        rng = np.random.default_rng(5)
        u95 = np.hypot(1.96 * noise.scale * THICK_MM, 1.96 * noise.local)
        found, near, inside, stations = [], [], [], []
        for _ in range(draws):
            both = together(OVAL_MM, noise, rng)
            place, oval = both.largest(), both.oval
            assert oval is not None  # three sides are seen
            found.append(place is not None)
            stations.append(np.mean(np.abs(oval.size_mm - OVAL_MM) <= WITHIN_MM))
            if place is not None and place.u95_mm is not None:
                near.append(abs(place.size_mm - OVAL_MM) <= WITHIN_MM)
                inside.append(abs(place.size_mm - OVAL_MM) <= place.u95_mm)
        false = [together(0.0, noise, rng).largest() is not None for _ in range(draws)]
        print(f"{name}: U95 of a {THICK_MM:.0f} mm diameter {u95:.2f} mm")
        print(
            f"  found {np.mean(found):.0%}; the largest within {WITHIN_MM} mm {share(near)}, "
            f"inside its ± {share(inside)}; stations within {WITHIN_MM} mm "
            f"{np.mean(stations):.0%}; round pieces called oval {np.mean(false):.0%}",
            flush=True,
        )


def share(hits: list[bool]) -> str:
    """Return a share in per cent, a dash for none."""
    return f"{np.mean(hits):.0%}" if hits else "-"


if __name__ == "__main__":
    main()
