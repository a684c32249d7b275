"""Rendered photos as phones and messengers hand them on: what that costs, and whether it is said.

Run from the top folder: python -m tests.benchmarks.handedon [--photos DIR] [--ways messenger ...].
DIR is the folder of the accuracy benchmark; the sample photos unless given. Steel tools, which a
trace is not for, are left out. What is done to the pictures is common practice of phones, no
source; how much of it is set high on purpose.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps

from tests.benchmarks.groundtruth import read_truth, truth_path
from tests.benchmarks.scoring import bootstrap_share
from tests.benchmarks.tracedphoto import Score, score_photo

__all__ = ["SAMPLES", "WAYS", "handed_on", "is_of_wood", "main", "summary_line"]

Picture = NDArray[np.uint8]

SAMPLES = Path(__file__).parents[2] / "sample_images"
MESSENGER_PX, MESSENGER_QUALITY, QUALITY = 1600, 70, 90


def _smoothed(picture: Picture) -> Picture:
    """Noise taken off, grain with it, and what is left sharpened hard."""
    calm = cv2.bilateralFilter(picture, 7, 25.0, 3.0)
    return np.asarray(cv2.addWeighted(calm, 2.0, cv2.GaussianBlur(calm, (0, 0), 1.8), -1.0, 0.0))


def _evened(picture: Picture) -> Picture:
    """Local contrast raised and light evened out, as in pictures put together of several."""
    lab = cv2.cvtColor(picture, cv2.COLOR_RGB2LAB)
    lab[:, :, 0] = cv2.createCLAHE(2.5, (8, 8)).apply(lab[:, :, 0])
    return np.asarray(cv2.cvtColor(lab, cv2.COLOR_LAB2RGB))


def _shaken(picture: Picture) -> Picture:
    """Moved by 5 pixels slantwise while it was taken."""
    kernel = cv2.GaussianBlur(np.eye(5), (0, 0), 0.5)
    return np.asarray(cv2.filter2D(picture, -1, kernel / kernel.sum()))


def _pushed(picture: Picture) -> Picture:
    """Too little light: coarse noise, more in bright places."""
    noise = np.random.default_rng(picture.shape[0]).standard_normal(picture.shape)
    coarse = 1.6 * cv2.GaussianBlur(noise.astype(np.float32), (0, 0), 0.7)
    return _levels(picture + coarse * (2.0 + 0.45 * np.sqrt(picture)))


def _vivid(picture: Picture) -> Picture:
    """Corners darkened by the lens, contrast and colour raised."""
    height, width = picture.shape[:2]
    y, x = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    light = picture / 255.0 * (1.0 - 0.225 * (x**2 + y**2))[:, :, None]
    light += 0.72 * light * (1.0 - light) * (2.0 * light - 1.0)
    grey = light.mean(axis=2, keepdims=True)
    return _levels(255.0 * (grey + 1.25 * (light - grey)))


def _levels(values: NDArray[Any]) -> Picture:
    return np.asarray(np.clip(values + 0.5, 0.0, 255.0), dtype=np.uint8)


WAYS: dict[str, Callable[[Picture], Picture] | None] = {
    "messenger": None,
    "smoothed": _smoothed,
    "evened": _evened,
    "shaken": _shaken,
    "pushed": _pushed,
    "vivid": _vivid,
}
"""What is done to the pixels; `messenger` scales them to 1600, and takes off all that the camera
wrote beside them."""


def handed_on(photo: Path, way: str, folder: Path) -> Path:
    """Write a photo as it is handed on in some way, with its truth; return its path."""
    truth = json.loads(truth_path(photo).read_text(encoding="utf-8"))
    target = folder / photo.name
    change = WAYS[way]
    with Image.open(photo) as opened:
        beside = opened.info.get("exif", b"")
        if change is None:
            upright = ImageOps.exif_transpose(opened)
            scale = MESSENGER_PX / max(upright.size)
            small = upright.resize([round(side * scale) for side in upright.size], Image.BOX)
            small.save(target, quality=MESSENGER_QUALITY)
            _rescale(truth, scale, small.size)
        else:
            changed = Image.fromarray(change(np.asarray(opened.convert("RGB"))))
            changed.save(target, quality=QUALITY, exif=beside)
    truth_path(target).write_text(json.dumps(truth), encoding="utf-8")
    return target


def _rescale(truth: dict[str, Any], scale: float, size_px: tuple[int, int]) -> None:
    """Make a truth that of a picture `scale` times as large, of which no lens is known."""
    truth["image_size"] = list(size_px)
    truth["axis_px"] = (scale * np.array(truth["axis_px"])).tolist()
    camera = np.array(truth["K"])
    camera[:2] *= scale
    truth["K"] = camera.tolist()
    told = truth.get("told", {})
    told.pop("lens", None)
    if "box" in told:
        told["box"] = [round(scale * value) for value in told["box"]]


def main() -> None:
    """Read the options, and print a line for each way."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=Path, default=SAMPLES, metavar="DIR")
    parser.add_argument("--ways", nargs="+", choices=WAYS, default=list(WAYS))
    parser.add_argument("--lines", action="store_true", help="print a line for each photo, too")
    options = parser.parse_args()
    photos = [photo for photo in sorted(options.photos.rglob("*.jpg")) if is_of_wood(photo)]
    print("mm on the diameter; far out: more than 5 % of the rows beyond twice their U95")
    print(
        f"{'handed on':11s}{'photos':>7s}{'refused':>8s}{'median':>8s}{'95 %':>8s}{'U95':>7s}"
        f"{'rows inside U95':>22s}  far out"
    )
    print(summary_line("as taken", [score_photo(photo) for photo in photos]), flush=True)
    for way in options.ways:
        scores = list(_scores(photos, way))
        print(summary_line(way, scores), flush=True)
        if options.lines:
            print("\n".join(f"  {_photo_line(score)}" for score in scores), flush=True)


def is_of_wood(photo: Path) -> bool:
    """Return whether a photo shows a wooden piece from the side."""
    if not truth_path(photo).is_file():
        return False
    truth = read_truth(photo).data
    return truth.get("setup") != "end" and truth["material"] != "steel"


def _scores(photos: Sequence[Path], way: str) -> Iterator[Score]:
    for photo in photos:
        with TemporaryDirectory() as folder:
            yield score_photo(handed_on(photo, way, Path(folder)))


def summary_line(way: str, scores: Sequence[Score]) -> str:
    rows = [score.rows for score in scores if score.rows is not None and len(score.rows.error_mm)]
    refused = sum(score.rows is None for score in scores)
    head = f"{way:11s}{len(scores):7d}{refused:8d}"
    if not rows:
        return head
    errors = np.abs(np.concatenate([each.error_mm for each in rows]))
    u95 = np.median(np.concatenate([each.u95_mm for each in rows]))
    share, low, high = (100.0 * part for part in bootstrap_share([each.inside for each in rows]))
    far = [
        score.name
        for score in scores
        if score.rows is not None and np.mean(score.rows.far_outside) > 0.05
    ]
    return (
        f"{head}{np.median(errors):8.3f}{np.percentile(errors, 95.0):8.3f}{u95:7.2f}"
        f"{f'{share:.1f} % ({low:.0f} to {high:.0f})':>22s}  {', '.join(far)}"
    )


def _photo_line(score: Score) -> str:
    if score.rows is None:
        return f"{score.name:19s} REFUSED {score.refusal}"
    errors = np.abs(score.rows.error_mm)
    return (
        f"{score.name:19s}{np.median(errors):7.3f}{np.percentile(errors, 95.0):7.3f}"
        f"{np.median(score.rows.u95_mm):7.2f}{100.0 * np.mean(score.rows.inside):7.1f} %"
    )


if __name__ == "__main__":
    main()
