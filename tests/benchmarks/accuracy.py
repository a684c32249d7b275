"""Trace the benchmark's rendered photos and print how true they are, against the targets.

    python -m tests.benchmarks.accuracy --photos DIR --render

The photos are in DIR/ROW/, with their truth files beside them; `--render` makes the missing ones.
A scene whose photo is not there is named and leaves its row incomplete; one that is refused counts
as a miss with all that it should have shown.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import calib  # noqa: F401 before numpy: it keeps small matrices to one thread, as the commands do
from sample_images.rendering.photo import taken
from tests.benchmarks.accuracytable import HEAD, photo_line, summary_text
from tests.benchmarks.render import render_rows
from tests.benchmarks.scenes import ROWS, scenes
from tests.benchmarks.speed import speed_text
from tests.benchmarks.tracedphoto import Score, score_photo

__all__ = ["main"]

COUNT, SEED = 8, 1
SPEED_ROWS = ("id1_flat", "id1_tilted", "stand_id1")


def main() -> None:
    """Read the options, trace, and print."""
    options = _options()
    rows = ROWS if options.rows is None else tuple(options.rows.split(","))
    if unknown := set(rows) - set(ROWS):
        raise SystemExit(f"no such row: {', '.join(sorted(unknown))}; rows: {', '.join(ROWS)}")
    if options.render:
        render_rows(rows, options.count, options.seed, options.photos)
    scores: dict[str, list[Score]] = {}
    missing: list[str] = []
    print(HEAD, flush=True)
    for row in rows:
        photos, absent = _photos(options.photos, row, options.count, options.seed)
        missing += absent
        scores[row] = []
        for photo in photos:
            if options.only is None or options.only in photo.stem:
                scores[row].append(score_photo(photo))
                print(photo_line(scores[row][-1]), flush=True)
    print(summary_text(scores, options.count, missing))
    if options.speed:
        print("\n" + speed_text(_speed_photos(options.photos, rows, options.seed)))


def _photos(folder: Path, row: str, count: int, seed: int) -> tuple[list[Path], list[str]]:
    """Return the photos of a row that are there, and the names of those that are not.

    A photo of an earlier draw of its scene is none of this scene.
    """
    there, absent = [], []
    for scene in scenes(row, count, seed):
        if taken(scene, folder / row):
            there.append(folder / row / f"{scene.name}.jpg")
        else:
            absent.append(scene.name)
    return there, absent


def _speed_photos(folder: Path, rows: Sequence[str], seed: int) -> list[Path]:
    """Return the first photo of a few rows: the scenes with even numbers have 12 megapixels."""
    first = [folder / row / f"{row}-{seed}-00.jpg" for row in rows if row in SPEED_ROWS]
    return [photo for photo in first if photo.is_file()]


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=Path, required=True, metavar="DIR")
    parser.add_argument("--rows", metavar="ROW,...", help=f"all of {', '.join(ROWS)} unless given")
    parser.add_argument("--count", type=int, default=COUNT, help="scenes a row")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--only", metavar="WORD", help="trace only photos with this in the name")
    parser.add_argument("--render", action="store_true", help="render what is not there")
    parser.add_argument(
        "--speed", action=argparse.BooleanOptionalAction, default=True, help="print times, too"
    )
    return parser.parse_args()


if __name__ == "__main__":
    main()
