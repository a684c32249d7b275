"""The truth file beside a rendered photo."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.rendering.contour import outline_of
from sample_images.rendering.scene import Flat, Scene, digest
from sample_images.rendering.tracing import Tracer

__all__ = ["start_end", "truth_of", "visible_intervals"]

FloatArray = NDArray[np.float64]

CLEAR_MM = 0.02
"""A rim point counts as seen if a point this far outside it is: the mesh's chords stay within."""
JOIN_MM = 0.35


def visible_intervals(scene: Scene, tracer: Tracer) -> list[list[float]]:
    """Return [z0, z1] from end A, mm, where both rims are in the frame and nothing hides them."""
    camera = scene.camera
    eye = camera.position
    step = max(0.1, float(np.ptp(scene.zr[:, 0])) / 2000.0)
    outline = outline_of(scene.zr, scene.piece_to_world, eye, step)
    clear = outline.points + CLEAR_MM * outline.normals
    pixels = camera.to_pixels(outline.points)
    inside = np.all((pixels >= 0.0) & (pixels <= np.array(camera.size_px) - 1.0), axis=(1, 2))
    if scene.free_z is not None:
        inside &= (outline.z >= scene.free_z[0]) & (outline.z <= scene.free_z[1])
    z, clear = outline.z[inside], clear[inside]
    hidden = tracer.blocked(clear.reshape(-1, 3), eye).reshape(-1, 2).any(axis=1)
    return _joined(np.sort(z[~hidden]))


def start_end(scene: Scene) -> str:
    """Return "A" or "B": the end that the tool counts from in this photo.

    The foot if it stands upright; else what `--from` names; else the left end, or the upper one
    if the axis is within 45 degrees of vertical in the picture.
    """
    d, start = scene.piece_to_world[:3, 2], scene.piece_to_world[:3, 3]
    ends = np.array([start, start + scene.zr[-1, 0] * d])
    if scene.setup == "upright":
        return "A" if ends[0, 2] < ends[1, 2] else "B"
    (ax, ay), (bx, by) = scene.camera.to_pixels(ends).tolist()
    side = scene.told.get("from", "left" if abs(bx - ax) >= abs(by - ay) else "top")
    first = {"left": ax < bx, "right": ax > bx, "top": ay < by, "bottom": ay > by}[side]
    return "A" if first else "B"


def _joined(z: FloatArray) -> list[list[float]]:
    if len(z) == 0:
        return []
    cut = np.nonzero(np.diff(z) > JOIN_MM)[0]
    starts, ends = np.concatenate([[0], cut + 1]), np.concatenate([cut, [len(z) - 1]])
    pairs = zip(starts, ends, strict=True)
    return [[round(float(z[a]), 3), round(float(z[b]), 3)] for a, b in pairs if z[b] > z[a]]


def truth_of(scene: Scene, tracer: Tracer) -> dict[str, Any]:
    """Return the truth of a scene as plain data, millimetres and displayed pixels."""
    if scene.setup == "end":
        return _truth_of_face(scene)
    camera, to_world = scene.camera, scene.piece_to_world
    length = float(scene.zr[-1, 0])
    ends = [to_world[:3, 3] + z * to_world[:3, 2] for z in (0.0, length)]
    (cx, cy), f = camera.centre_px, camera.focal_px
    return {
        **_head(scene),
        "K": [[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]],
        "dist_k1k2p1p2k3": [camera.k1, camera.k2, 0.0, 0.0, 0.0],
        "R_world_to_cam": camera.rotation.tolist(),
        "t_world_to_cam": camera.translation.tolist(),
        "camera_centre_world": camera.position.tolist(),
        "aperture_mm": camera.aperture_mm,
        "profile_zr": np.round(scene.zr, 6).tolist(),
        "length": length,
        "max_diameter": 2.0 * float(scene.zr[:, 1].max()),
        "material": scene.material,
        "support": scene.support,
        "piece_to_world": to_world.tolist(),
        "axis_world": {
            "A": ends[0].tolist(),
            "B": ends[1].tolist(),
            "dir": to_world[:3, 2].tolist(),
        },
        "axis_px": camera.to_pixels(np.array(ends)).tolist(),
        "start_end": start_end(scene),
        "targets": [_target(scene, target) for target in scene.targets],
        "visible_z": visible_intervals(scene, tracer),
        "free_z": None if scene.free_z is None else list(scene.free_z),
        "told": scene.told,
        "drawn": scene.drawn,
        "exif": {
            "orientation": scene.phone.orientation,
            "FocalLengthIn35mmFilm": scene.phone.focal_35mm,
            "FocalLength_mm": scene.phone.focal_mm,
        },
    }


def _head(scene: Scene) -> dict[str, Any]:
    return {
        "name": scene.name,
        "seed": scene.seed,
        "digest": digest(scene),
        "rendered": "path-traced picture, not a photograph",
        "setup": scene.setup,
        "image_size": list(scene.camera.size_px),
    }


def _truth_of_face(scene: Scene) -> dict[str, Any]:
    """Return what an end face shows: the diameters of its circles, by name, in `drawn`."""
    return {
        **_head(scene),
        "material": scene.material,
        "told": scene.told,
        "drawn": scene.drawn,
    }


def _target(scene: Scene, target: Any) -> dict[str, Any]:
    to_world = target.to_world
    if isinstance(target, Flat):
        w, h, name, extra = (
            target.width_mm,
            target.height_mm,
            "id1",
            {"corner_radius": target.corner_mm},
        )
        extra["art"] = target.art
    else:
        (w, h), name = target.true_mm, target.name
        extra = {"nominal": list(target.nominal_mm)}
    corners = np.array([[-w, h, 0], [w, h, 0], [w, -h, 0], [-w, -h, 0]]) / 2.0
    world = corners @ to_world[:3, :3].T + to_world[:3, 3]
    axis, start = scene.piece_to_world[:3, 2], scene.piece_to_world[:3, 3]
    middle = start + axis * scene.zr[-1, 0] / 2.0
    inverse = np.linalg.inv(to_world)
    over = [
        float((inverse @ np.append(p, 1.0))[2])
        for p in (start, start + axis * scene.zr[-1, 0], middle)
    ]
    return {
        "kind": name,
        "w": w,
        "h": h,
        "thickness": target.thickness_mm,
        **extra,
        "target_to_world": to_world.tolist(),
        "corners_px_TL_TR_BR_BL": scene.camera.to_pixels(world).tolist(),
        "axis_height_over_face": over,
    }
