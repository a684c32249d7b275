"""Whether a change that `calib preview` advises gains what it foretold.

    python -m tests.benchmarks.previewgain --photos DIR                 calibrate the lens
    python -m tests.benchmarks.previewgain --photos DIR --render OUT    tilt, or come nearer

DIR holds the accuracy benchmark's photos. For the lens the same photo is traced again with a lens
known as after `calib lens`, off by drawn errors of the stated sizes. For tilt and distance the
scene is rendered again, small pictures only, with the phone held where the preview says. Compared
is the common part of U95, after over before.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

import numpy as np

from calib.lens import Lens
from calib.photo import read_photo
from calib.photochange import calibrated_like
from calib.previewjob import Preview, asked_for, preview
from calib.refusal import RefusalError
from calib.view import View
from measure.trace import trace
from sample_images.rendering.camera import Camera
from sample_images.rendering.photo import take, taken
from sample_images.rendering.scene import Scene
from tests.benchmarks.groundtruth import Truth, read_truth
from tests.benchmarks.scenes import scenes

ROWS = ("id1_flat", "id1_tilted", "a4_exif")
THICK = 0.7
AGREE = 0.30


def common_mm(path: Path, truth: Truth, lens: Lens | None) -> float:
    """Return the middle common U95 of the thick rows of a trace."""
    request, scale = truth.request(), truth.print_scale()
    profile = trace(read_photo(path), request, lens=lens, scale=scale).profile
    near = profile.diameter_mm > THICK * 2.0 * truth.meridian[:, 1].max()
    if not near.any():
        raise RefusalError("too-thin", "The trace shows nothing as thick as the piece is.", "")
    return float(np.median(profile.u95_common_mm[near]))


def looked_at(path: Path, truth: Truth) -> Preview:
    thick = 2.0 * float(truth.meridian[:, 1].max())
    request = truth.request()
    asked = asked_for(request.setup, thick, truth.length_mm)
    return preview(read_photo(path), request.target, asked, truth.lens(), truth.print_scale())


def drawn_lens(truth: Truth, seed: int) -> Lens:
    """Return a calibration of the true lens, off as the advice takes it to be."""
    camera, bend = np.array(truth.data["K"]), truth.data["dist_k1k2p1p2k3"]
    width, height = truth.data["image_size"]
    exact = Lens(
        camera[0, 0], (camera[0, 2], camera[1, 2]), bend[0], bend[1], (width, height), np.eye(5), ""
    )
    lens = calibrated_like(exact)
    sd = np.sqrt(np.diag(lens.covariance))
    return lens.with_vector(lens.vector() + np.random.default_rng(seed).normal(0.0, sd))


def moved_camera(camera: Camera, view: View, there: View, middle: np.ndarray) -> Camera:
    """Return the true camera moved as one view says of another."""
    turn = there.rotation @ view.rotation.T
    shift = view.rotation @ (there.camera_centre_mm - view.camera_centre_mm)
    position = camera.position + camera.rotation.T @ shift
    rotation = turn @ camera.rotation
    moved = replace(camera, rotation=rotation, translation=-rotation @ position)
    return replace(moved, focus_mm=float(moved.depth(middle)))


def moved_scene(scene: Scene, code: str, seen: Preview, there: View) -> Scene:
    place = scene.piece_to_world
    middle = place[:3, 3] + place[:3, 2] * scene.zr[-1, 0] / 2.0
    camera = moved_camera(scene.camera, seen.view, there, middle)
    return replace(scene, name=f"{scene.name}-{code}", camera=camera)


def tell(name: str, code: str, seen: Preview, foretold: float, before: float, after: float) -> bool:
    now = seen.expects.coved.common_mm
    ours, theirs = foretold / now, after / before
    good = abs(ours / theirs - 1.0) <= AGREE
    print(
        f"{name:19s}{code:16s}preview {now:.3f} to {foretold:.3f} ({ours:.2f})"
        f"   trace {before:.3f} to {after:.3f} ({theirs:.2f})   {'agree' if good else 'DIFFER'}",
        flush=True,
    )
    return good


def with_lens(path: Path, seed: int) -> bool | None:
    truth = read_truth(path)
    try:
        seen = looked_at(path, truth)
        change = next((c for c in seen.changes if c.code == "calibrate-lens"), None)
        if change is None:
            return None
        before = common_mm(path, truth, truth.lens())
        after = common_mm(path, truth, drawn_lens(truth, seed))
    except RefusalError as error:
        print(f"{truth.name:19s}refused: {error.notice.code}", flush=True)
        return None
    return tell(truth.name, change.code, seen, change.gives.coved.common_mm, before, after)


def rendered_again(path: Path, scene: Scene, out: Path) -> list[bool]:
    truth = read_truth(path)
    found = []
    try:
        seen = looked_at(path, truth)
        before = common_mm(path, truth, truth.lens())
    except RefusalError as error:
        print(f"{truth.name:19s}refused: {error.notice.code}", flush=True)
        return []
    for change in seen.changes:
        if change.there is None:
            continue
        moved = moved_scene(scene, change.code, seen, change.there)
        if not taken(moved, out):
            take(moved, out)
        again = out / f"{moved.name}.jpg"
        try:
            after = common_mm(again, read_truth(again), truth.lens())
        except RefusalError as error:
            print(f"{moved.name:19s}refused: {error.notice.code}", flush=True)
            continue
        found.append(
            tell(truth.name, change.code, seen, change.gives.coved.common_mm, before, after)
        )
    return found


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--photos", type=Path, required=True)
    parser.add_argument("--rows", default=",".join(ROWS))
    parser.add_argument("--render", type=Path)
    parser.add_argument("--count", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    found: list[bool] = []
    for row in asked.rows.split(","):
        for number, scene in enumerate(scenes(row, asked.count, asked.seed)):
            path = asked.photos / row / f"{scene.name}.jpg"
            if not path.exists():
                continue
            if asked.render is None:
                one = with_lens(path, number)
                found += [] if one is None else [one]
            elif scene.camera.size_px[0] <= 2016:
                found += rendered_again(path, scene, asked.render)
    print(f"{sum(found)} of {len(found)} gains within 30 %")


if __name__ == "__main__":
    main()
