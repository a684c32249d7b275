"""Rendered edges lie where the analytic outline says, to 0.1 px (mitsuba against geometry)."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("mitsuba")

from rendering_stage import edge_offsets, on_straight_stretch, small_scene

from sample_images.rendering.camera import lens_image
from sample_images.rendering.contour import outline_of
from sample_images.rendering.scene import Scene
from sample_images.rendering.staging import target_outline
from sample_images.rendering.tracing import open_tracer

LIMIT_PX = 0.1


def rendered_coverage(scene: Scene) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return (picture, visible outline points (n, 3), their normals)."""
    outline = outline_of(scene.zr, scene.piece_to_world, scene.camera.position, 0.4)
    points, normals = outline.points.reshape(-1, 3), outline.normals.reshape(-1, 3)
    with open_tracer(scene, flat=True) as tracer:
        hidden = tracer.blocked(points + 0.02 * normals, scene.camera.position)
        light = tracer.light(36)
    picture = lens_image(scene.camera, light, 0.5)[..., 0]
    return picture.astype(float), points[~hidden], normals[~hidden]


@pytest.mark.parametrize(("name", "tilt"), [("pepper mill", 25.0), ("stepped borer", 6.0)])
def test_piece_and_card_edges_lie_on_the_analytic_outline(name: str, tilt: float) -> None:
    scene = small_scene(name, tilt)
    camera = scene.camera
    picture, points, normals = rendered_coverage(scene)
    at = camera.to_pixels(points)
    outward = camera.to_pixels(points + 0.02 * normals) - at
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    straight = on_straight_stretch(at, outward)
    assert straight.sum() > 300
    off = edge_offsets(picture, at[straight], outward[straight])
    measured = off[np.isfinite(off)]
    assert len(measured) > 0.95 * len(off)
    assert np.abs(measured.mean()) < 0.02
    assert np.abs(measured).max() < LIMIT_PX

    flat = scene.targets[0]
    edge = target_outline(flat)
    middle = edge.mean(axis=0)
    side = np.abs(edge - np.roll(edge, -1, axis=0)).max(axis=1) > 20.0
    start, end = edge[side], np.roll(edge, -1, axis=0)[side]
    t = np.linspace(0.05, 0.95, 60)[:, None, None]
    line = (start + t * (end - start)).reshape(-1, 3)
    across = np.cross(end - start, flat.to_world[:3, 2])
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    across *= np.sign(np.sum(across * (start - middle), axis=1, keepdims=True))
    outward = camera.to_pixels(line + 0.02 * np.tile(across, (60, 1))) - camera.to_pixels(line)
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    off = edge_offsets(picture, camera.to_pixels(line), outward)
    assert len(off) == 240
    assert np.isfinite(off).all()
    assert np.abs(off).max() < LIMIT_PX
    assert np.abs(off.mean()) < 0.02
