"""Render a row of the accuracy benchmark: `python -m tests.benchmarks.render --row id1_flat`."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from sample_images.rendering.photo import take, taken
from tests.benchmarks.scenes import ROWS, scenes

__all__ = ["main", "render_row"]


def render_row(row: str, count: int, seed: int, folder: Path) -> list[Path]:
    """Render the scenes of a row that the folder does not hold yet; return all photos' paths."""
    drawn = scenes(row, count, seed)
    # Small pictures first: there is something to look at early.
    for scene in sorted(drawn, key=lambda s: s.camera.size_px[0] * s.camera.size_px[1]):
        if not taken(scene, folder):
            start = time.perf_counter()
            photo = take(scene, folder)
            print(f"{photo.name}: {time.perf_counter() - start:.0f} s", flush=True)
    return [folder / f"{scene.name}.jpg" for scene in drawn]


def main() -> None:
    """Read the options and render."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--row", choices=(*ROWS, "all"), required=True)
    parser.add_argument("--count", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True, metavar="DIR")
    options = parser.parse_args()
    for row in ROWS if options.row == "all" else (options.row,):
        render_row(row, options.count, options.seed, options.out / row)


if __name__ == "__main__":
    main()
