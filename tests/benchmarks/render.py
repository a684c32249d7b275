"""Render a row of the accuracy benchmark: `python -m tests.benchmarks.render --row id1_flat`."""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from pathlib import Path

from sample_images.rendering.photo import take, taken
from tests.benchmarks.scenes import ROWS, scenes

__all__ = ["main", "render_rows"]


def render_rows(rows: Sequence[str], count: int, seed: int, folder: Path) -> list[Path]:
    """Render the scenes of rows that the folder does not hold yet; return all photos' paths.

    The photos of a row are in a folder named after it. Photos that are there already, of the very
    same scene, stay.
    """
    drawn = [(folder / row, scene) for row in rows for scene in scenes(row, count, seed)]
    # Small pictures first: there is something to look at early.
    for place, scene in sorted(drawn, key=lambda pair: pair[1].camera.size_px[0] > 2016):
        if not taken(scene, place):
            start = time.perf_counter()
            photo = take(scene, place)
            print(f"{photo.name}: {time.perf_counter() - start:.0f} s", flush=True)
    return [place / f"{scene.name}.jpg" for place, scene in drawn]


def main() -> None:
    """Read the options and render."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--row", choices=(*ROWS, "all"), required=True)
    parser.add_argument("--count", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True, metavar="DIR")
    options = parser.parse_args()
    rows = ROWS if options.row == "all" else (options.row,)
    render_rows(rows, options.count, options.seed, options.out)


if __name__ == "__main__":
    main()
