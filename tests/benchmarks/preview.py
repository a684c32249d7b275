"""What `calib preview` expects of rendered photos, against what a trace of them then states.

    python -m tests.benchmarks.preview --photos DIR [--rows id1_flat,a4_exif]

The photos are those of the accuracy benchmark, in DIR/ROW/ with their truth files. The preview is
told the true greatest diameter and length; it is compared with the rows of the profile that are
at least 0.7 of that diameter. The common part is what the geometry decides and the preview
computes, for a model with even coves: how much the piece's own shape tells of the lens differs
from piece to piece, and the preview cannot know it. The whole also holds what the trace found of
grain, shadows and disagreeing sides.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calib.photo import read_photo
from calib.previewjob import asked_for, preview
from calib.refusal import RefusalError
from measure.trace import trace
from tests.benchmarks.groundtruth import read_truth

ROWS = ("id1_flat", "id1_tilted", "a4_exif", "a4_calibrated")
AGREE = 0.30
THICK = 0.7


@dataclass(frozen=True)
class Compared:
    """Preview over trace: of the whole U95 and of the common part; NaN where refused."""

    whole: float
    common: float


def compare(path: Path) -> Compared:
    truth = read_truth(path)
    request, lens, scale = truth.request(), truth.lens(), truth.print_scale()
    photo = read_photo(path)
    thick = 2.0 * float(truth.meridian[:, 1].max())
    asked = asked_for(request.setup, thick, truth.length_mm)
    try:
        seen = preview(photo, request.target, asked, lens, scale)
        profile = trace(photo, request, lens=lens, scale=scale).profile
    except RefusalError as error:
        print(f"{truth.name:19s}  refused: {error.notice.code}", flush=True)
        return Compared(math.nan, math.nan)
    except Exception as error:
        # A fault in the program is told and does not end the benchmark.
        print(f"{truth.name:19s}  BUG {type(error).__name__}: {error}", flush=True)
        return Compared(math.nan, math.nan)
    near = profile.diameter_mm > THICK * thick
    stated, common = (
        float(np.median(column[near])) for column in (profile.u95_mm, profile.u95_common_mm)
    )
    expects = seen.expects.coved
    best = seen.changes[0] if seen.changes else None
    advice = "" if best is None else f"{best.code} {best.gives.coved.u95_mm:.3f}"
    print(
        f"{truth.name:19s}{thick:6.0f}{truth.length_mm:6.0f}{math.degrees(seen.tilt_rad):6.0f}"
        f"{expects.u95_mm:9.3f}{stated:8.3f}{expects.u95_mm / stated:7.2f}"
        f"{expects.common_mm:9.3f}{common:8.3f}{expects.common_mm / common:7.2f}  {advice}",
        flush=True,
    )
    return Compared(expects.u95_mm / stated, expects.common_mm / common)


def share(ratios: list[float]) -> str:
    good = [abs(ratio - 1.0) <= AGREE for ratio in ratios]
    return f"{sum(good)} of {len(good)} within 30 %, median ratio {np.median(ratios):.2f}"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--photos", type=Path, required=True)
    parser.add_argument("--rows", default=",".join(ROWS))
    asked = parser.parse_args()
    print(f"{'':19s}{'':18s}{'U95 of a diameter, mm':>24s}{'common part':>24s}")
    print(
        f"{'photo':19s}{'diam.':>6s}{'long':>6s}{'tilt':>6s}{'preview':>9s}{'trace':>8s}"
        f"{'ratio':>7s}{'preview':>9s}{'trace':>8s}{'ratio':>7s}  best change"
    )
    found = []
    for row in asked.rows.split(","):
        for path in sorted((asked.photos / row).glob("*.jpg")):
            one = compare(path)
            if math.isfinite(one.whole):
                found.append(one)
    if found:
        print(f"whole U95: {share([one.whole for one in found])}")
        print(f"common part: {share([one.common for one in found])}")


if __name__ == "__main__":
    main()
