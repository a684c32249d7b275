"""A photo and its truth, from a scene to two files."""

from __future__ import annotations

import json
from pathlib import Path

from sample_images.rendering.camera import lens_image
from sample_images.rendering.phone import developed, jpeg
from sample_images.rendering.scene import Scene, digest
from sample_images.rendering.tracing import open_tracer
from sample_images.rendering.truth import truth_of

__all__ = ["take", "taken"]


def taken(scene: Scene, folder: Path) -> bool:
    """Return whether the folder already holds this very photo, whole."""
    photo, truth = _paths(scene, folder)
    if not (photo.is_file() and truth.is_file()):
        return False
    return bool(json.loads(truth.read_text()).get("digest") == digest(scene))


def take(scene: Scene, folder: Path, paths: int | None = None) -> Path:
    """Render a scene into NAME.jpg and NAME.truth.json; return the photo's path.

    `paths` a pixel, 4 or 9; as many as the scene needs if not given.
    """
    photo, truth = _paths(scene, folder)
    folder.mkdir(parents=True, exist_ok=True)
    with open_tracer(scene, paths=paths) as tracer:
        facts = truth_of(scene, tracer)
        light = tracer.light(tracer.paths, scene.seed)
    picture = developed(lens_image(scene.camera, light, scene.phone.blur_px), scene.phone)
    photo.write_bytes(jpeg(picture, scene.phone))
    truth.write_text(json.dumps(facts))
    return photo


def _paths(scene: Scene, folder: Path) -> tuple[Path, Path]:
    return folder / f"{scene.name}.jpg", folder / f"{scene.name}.truth.json"
