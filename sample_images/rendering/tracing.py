"""The scene handed to mitsuba: path-traced light, flat coverage for tests, and rays."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.rendering import meshes
from sample_images.rendering.boards import printed_page
from sample_images.rendering.cards import artwork
from sample_images.rendering.meshes import Mesh
from sample_images.rendering.noise import cloud
from sample_images.rendering.scene import Board, Flat, Scene, pose, rotation_about
from sample_images.rendering.supports import support_picture
from sample_images.rendering.woods import wood_colour

__all__ = ["Tracer", "open_tracer"]

FloatArray = NDArray[np.float64]

BENCH_MM = 4000.0
FINEST_PATCH_PX = 4600
DEPTH = 4
"""Light paths: lamp, bench, piece, eye."""


class Tracer:
    """A scene loaded into mitsuba; use `open_tracer`.

    `paths` a pixel, 2 x 2 or 3 x 3 strata, keep the noise near the phone's own.
    """

    def __init__(self, scene: Scene, folder: Path, flat: bool, paths: int | None) -> None:
        import mitsuba

        mitsuba.set_variant("scalar_rgb")
        self._mi: Any = mitsuba
        self._scene = scene
        self._folder = folder
        self._flat = flat
        easy = scene.setup == "bench" and scene.material != "steel"
        self.paths = paths or (4 if easy else 9)
        parts = self._parts()
        self.loaded = mitsuba.load_dict(
            {"type": "scene", **parts, **({} if flat else self._lights()), "sensor": self._sensor()}
        )

    def light(self, spp: int, seed: int = 0) -> NDArray[np.float32]:
        """Return the linear picture without distortion, (rows, columns, 3), any exposure."""
        path = self._mi.load_dict(
            {
                "type": "path",
                "max_depth": 1 if self._flat else DEPTH,
                "rr_depth": 16,
                "hide_emitters": not self._flat,
            }
        )
        seen = np.array(
            self._mi.render(self.loaded, integrator=path, spp=spp, seed=seed), dtype=np.float32
        )
        light = _without_sparks(seen[..., :3])
        if self._flat or self._scene.bench_edge_mm is None:
            return light
        return light + (1.0 - np.clip(seen[..., 3:4], 0.0, 1.0)) * self._background()

    def _background(self) -> NDArray[np.float32]:
        """The room by the pixels of the undistorted picture, far out of focus."""
        camera = self._scene.camera
        width, height = camera.rendered_size()
        x = (np.arange(width) - (width - 1) / 2.0) / camera.focal_px
        y = (np.arange(height) - (height - 1) / 2.0) / camera.focal_px
        image = np.stack([*np.meshgrid(x, y), np.ones((height, width))], axis=-1)
        ray = image @ camera.rotation
        room = room_light(self._scene.seed)
        rows, columns = room.shape[:2]
        up = np.arcsin(ray[..., 2] / np.linalg.norm(ray, axis=-1))
        round_about = np.arctan2(ray[..., 0], ray[..., 1])
        column = (0.5 + round_about / (2.0 * np.pi)) * columns - 0.5
        row = (0.5 - up / np.pi) * rows - 0.5
        return cv2.remap(
            room,
            column.astype(np.float32),
            row.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_WRAP,
        )

    def blocked(self, points: FloatArray, eye: FloatArray) -> NDArray[np.bool_]:
        """Return which points, (n, 3), something hides from the eye."""
        mi = self._mi
        hidden = np.empty(len(points), bool)
        for i, point in enumerate(points):
            way = eye - point
            far = float(np.linalg.norm(way))
            ray = mi.Ray3f(
                mi.Point3f(point.tolist()), mi.Vector3f((way / far).tolist()), far, 0.0, []
            )
            hidden[i] = self.loaded.ray_test(ray)
        return hidden

    def _parts(self) -> dict[str, Any]:
        scene = self._scene
        parts: dict[str, Any] = {}
        piece = meshes.revolved(scene.zr).moved(scene.piece_to_world)
        parts["piece"] = self._shape("piece", piece, self._piece_look(), 1.0)
        for i, target in enumerate(scene.targets):
            parts |= self._card(i, target) if isinstance(target, Flat) else self._board(i, target)
        for i, prop in enumerate(scene.props):
            mesh = (
                meshes.block(tuple(prop.size))
                if prop.kind == "block"
                else meshes.revolved(prop.size)
            )
            look = (
                self._metal(prop.colour, 0.3, 0.4) if prop.metal else self._paint(prop.colour, 0.35)
            )
            parts[f"prop{i}"] = self._shape(f"prop{i}", mesh.moved(prop.to_world), look, 0.0)
        if not self._flat:
            parts |= self._bench()
        return parts

    def _shape(self, name: str, mesh: Mesh, look: dict[str, Any], glow: float) -> dict[str, Any]:
        path = self._folder / f"{name}.ply"
        meshes.write_ply(mesh, path)
        shape: dict[str, Any] = {"type": "ply", "filename": str(path), "flip_tex_coords": False}
        if not self._flat:
            return {**shape, "bsdf": look}
        # Black things of which some glow: the picture is the pixels' exact share of each.
        shape["bsdf"] = {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.0}}
        if glow > 0.0:
            shape["emitter"] = {"type": "area", "radiance": {"type": "rgb", "value": glow}}
        return shape

    def _picture(self, linear: NDArray[np.float32], wrap: str = "clamp") -> dict[str, Any]:
        """A texture of linear albedos; row 0 is v = 1, as artwork is drawn from the top."""
        bitmap = self._mi.Bitmap(np.ascontiguousarray(linear[::-1, :, :3], dtype=np.float32))
        return {"type": "bitmap", "bitmap": bitmap, "raw": True, "wrap_mode": wrap}

    def _paint(self, colour: Any, roughness: float) -> dict[str, Any]:
        value = colour if isinstance(colour, dict) else {"type": "rgb", "value": list(colour)}
        return {
            "type": "roughplastic",
            "distribution": "ggx",
            "alpha": roughness,
            "diffuse_reflectance": value,
        }

    def _metal(self, colour: Any, along: float = 0.10, across: float = 0.28) -> dict[str, Any]:
        return {
            "type": "roughconductor",
            "material": "Cr",
            "distribution": "ggx",
            "alpha_u": along,
            "alpha_v": across,
            "specular_reflectance": {"type": "rgb", "value": list(colour)},
        }

    def _piece_look(self) -> dict[str, Any]:
        scene = self._scene
        if self._flat:
            return {}
        if scene.material == "steel":
            return self._metal((0.95, 0.95, 0.95))
        rng = np.random.default_rng(scene.seed + 5)
        return self._paint(self._picture(self._wood_picture(), "mirror"), rng.uniform(0.22, 0.45))

    def _wood_picture(self) -> NDArray[np.float32]:
        closed, fraction = meshes.closed_meridian(self._scene.zr)
        length = float(np.hypot(*np.diff(closed, axis=0).T).sum())
        texel = 1.0 / self._px_per_mm()
        columns = int(np.clip(2.0 * np.pi * closed[:, 1].max() / texel, 256, 2400))
        rows = int(np.clip(length / texel, 256, 4600))
        v = 1.0 - (np.arange(rows) + 0.5) / rows
        z, r = np.interp(v, fraction, closed[:, 0]), np.interp(v, fraction, closed[:, 1])
        angle = (np.arange(columns) + 0.5) / columns * 2.0 * np.pi
        points = np.empty((rows, columns, 3), np.float32)
        points[..., 0] = r[:, None] * np.cos(angle)
        points[..., 1] = r[:, None] * np.sin(angle)
        points[..., 2] = z[:, None]
        return wood_colour(self._scene.material, points, self._scene.seed)

    def _px_per_mm(self) -> float:
        camera = self._scene.camera
        middle = self._scene.piece_to_world @ np.append(
            [0.0, 0.0, self._scene.zr[:, 0].mean()], 1.0
        )
        return float(camera.focal_px / camera.depth(middle[:3]))

    def _card(self, i: int, card: Flat) -> dict[str, Any]:
        face = meshes.card_face(card.width_mm, card.height_mm, card.corner_mm).moved(card.to_world)
        wall = meshes.card_wall(card.width_mm, card.height_mm, card.corner_mm, card.thickness_mm)
        look, rim = {}, {}
        if not self._flat:
            art = artwork(card.art, card.art_seed)
            look = self._paint(self._picture(art), 0.22)
            # The core is white, tinted by what shows through.
            rim = self._paint((0.45 + 0.45 * np.median(art, axis=(0, 1))).tolist(), 0.3)
        return {
            f"card{i}": self._shape(f"card{i}", face, look, 1.0),
            f"card{i}wall": self._shape(f"card{i}wall", wall.moved(card.to_world), rim, 0.0),
        }

    def _board(self, i: int, board: Board) -> dict[str, Any]:
        width, height = board.true_mm
        face = meshes.card_face(width, height, 0.0).moved(board.to_world)
        wall = meshes.card_wall(width, height, 0.0, board.thickness_mm).moved(board.to_world)
        look = {}
        if not self._flat:
            page = self._picture(printed_page(board.name, board.picture))
            look = {"type": "diffuse", "reflectance": page}
        paper = {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.76}}
        return {
            f"board{i}": self._shape(f"board{i}", face, look, 0.0),
            f"board{i}wall": self._shape(f"board{i}wall", wall, paper, 0.0),
        }

    def _bench(self) -> dict[str, Any]:
        scene, mi = self._scene, self._mi
        side = self._seen_patch()
        px = float(np.clip(self._px_per_mm(), 1.0, FINEST_PATCH_PX / side))
        texture = self._picture(
            support_picture(scene.support, (side, side), px, scene.seed + 3), "mirror"
        )
        far = BENCH_MM / 2.0 if scene.bench_edge_mm is None else scene.bench_edge_mm
        depth = BENCH_MM / 2.0 + far
        place = pose(np.diag([BENCH_MM / 2.0, depth / 2.0, 1.0]), [0.0, far - depth / 2.0, 0.0])
        # From the rectangle's own (u, v) to mm, turned, to patches; a patch's middle at 0, 0.
        to_mm = pose(np.diag([BENCH_MM, depth, 1.0]), [-BENCH_MM / 2.0, far - depth, 0.0])
        turn = pose(rotation_about("z", -np.deg2rad(scene.support_turn_deg)), np.zeros(3))
        to_patch = pose(np.diag([1.0 / side, 1.0 / side, 1.0]), [0.5, 0.5, 0.0])
        texture["to_uv"] = mi.ScalarTransform4f((to_patch @ turn @ to_mm).tolist())
        rough = {"type": "diffuse", "reflectance": texture}
        return {
            "bench": {
                "type": "rectangle",
                "to_world": mi.ScalarTransform4f(place.tolist()),
                "bsdf": self._paint(texture, 0.4) if "planks" in scene.support else rough,
            }
        }

    def _seen_patch(self) -> float:
        """Side of the bench's finely drawn patch round the origin: what the picture sees of it."""
        camera = self._scene.camera
        w, h = camera.size_px
        corner = np.array([[0, 0], [w, 0], [w, h], [0, h]], float) - camera.centre_px
        rays = np.column_stack([corner / camera.focal_px, np.ones(4)]) @ camera.rotation
        eye = camera.position
        reach = [700.0]
        if np.all(rays[:, 2] < -0.05):
            ground = eye[:2] - eye[2] / rays[:, 2:3] * rays[:, :2]
            reach = [2.1 * float(np.abs(ground).max())]
        return float(np.clip(max(reach), 200.0, 900.0))

    def _lights(self) -> dict[str, Any]:
        mi, light = self._mi, self._scene.light
        azimuth, elevation = np.deg2rad([light.azimuth_deg, light.elevation_deg])
        towards = np.array(
            [
                np.cos(azimuth) * np.cos(elevation),
                np.sin(azimuth) * np.cos(elevation),
                np.sin(elevation),
            ]
        )
        place = towards * light.distance_mm
        # Irradiance on the bench of a small square facing it: L A sin(elevation) / d^2.
        room = room_light(self._scene.seed)
        even = room[: len(room) // 2].mean(axis=(0, 1))
        level = light.strength * np.pi * float(even.mean())
        radiance = level * light.distance_mm**2 / (light.side_mm**2 * np.sin(elevation))
        tint = np.array([1.0 + light.warmth, 1.0, 1.0 - light.warmth])
        look = mi.ScalarTransform4f().look_at(
            origin=place.tolist(), target=[0, 0, 0], up=[0.1, 0.2, 0.97]
        )
        return {
            # Even light as wood sees it, with far less noise; steel mirrors the room.
            "room": {
                **(self._room(room) if self._scene.material == "steel" else _even(even)),
                # Of 2 x 2 strata one half goes to the room, of 3 x 3 a third.
                "sampling_weight": 1.0 if self.paths == 4 else 0.5,
            },
            "lamp": {
                "type": "rectangle",
                "to_world": look @ mi.ScalarTransform4f().scale([light.side_mm / 2.0] * 2 + [1.0]),
                "emitter": {
                    "type": "area",
                    "radiance": {"type": "rgb", "value": (radiance * tint).tolist()},
                },
            },
        }

    def _room(self, room: NDArray[np.float32]) -> dict[str, Any]:
        """The room as steel mirrors it."""
        return {
            "type": "envmap",
            "bitmap": self._mi.Bitmap(room),
            "to_world": self._mi.ScalarTransform4f().rotate([1, 0, 0], 90),
        }

    def _sensor(self) -> dict[str, Any]:
        mi, camera = self._mi, self._scene.camera
        width, height = camera.rendered_size()
        # mitsuba's camera has x to the left and y up; OpenCV's x to the right and y down.
        to_world = np.eye(4)
        to_world[:3, :3] = camera.rotation.T @ np.diag([-1.0, -1.0, 1.0])
        to_world[:3, 3] = camera.position
        sensor = {
            "type": "perspective",
            "fov_axis": "x",
            "fov": float(np.rad2deg(2.0 * np.arctan(width / 2.0 / camera.focal_px))),
            "near_clip": 5.0,
            "far_clip": 1.0e4,
            "to_world": mi.ScalarTransform4f(to_world.tolist()),
            "film": {
                "type": "hdrfilm",
                "width": width,
                "height": height,
                "rfilter": {"type": "box"},
                "pixel_format": "rgba",
                "component_format": "float32",
            },
            "sampler": {"type": "multijitter"},
        }
        if camera.aperture_mm > 0.0:
            sensor |= {
                "type": "thinlens",
                "aperture_radius": camera.aperture_mm / 2.0,
                "focus_distance": camera.focus_mm,
            }
        return sensor


@contextmanager
def open_tracer(scene: Scene, flat: bool = False, paths: int | None = None) -> Iterator[Tracer]:
    """Load a scene. `flat`: piece and cards glow evenly, all else is black, nothing is lit."""
    with tempfile.TemporaryDirectory() as folder:
        yield Tracer(scene, Path(folder), flat, paths)


def _without_sparks(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Take out lone pixels that one lucky path made over-bright, mostly light off steel.

    A pixel over twice its second brightest neighbour is dimmed to it. Both sides of an edge have
    two neighbours of their own kind, so no edge moves.
    """
    level = light.max(axis=2)
    shifts = [(y, x) for y in (-1, 0, 1) for x in (-1, 0, 1) if (y, x) != (0, 0)]
    first = np.zeros_like(level)
    second = np.zeros_like(level)
    for shift in shifts:
        near = np.roll(level, shift, axis=(0, 1))
        second = np.maximum(second, np.minimum(first, near))
        first = np.maximum(first, near)
    scale = np.where(level > 2.0 * second, second / np.maximum(level, 1e-9), 1.0)
    return np.asarray(light * scale[..., None], np.float32)


def _even(light: NDArray[np.float32]) -> dict[str, Any]:
    """The same light from everywhere."""
    return {"type": "constant", "radiance": {"type": "rgb", "value": light.tolist()}}


def room_light(seed: int) -> NDArray[np.float32]:
    """Return a room's light by direction, (rows, columns, 3): ceiling, walls, windows, shelves.

    It is also what shows behind the bench, far out of focus.
    """
    rng = np.random.default_rng(seed + 21)
    rows, columns = 256, 512
    height = np.linspace(90.0, -90.0, rows)[:, None]
    walls = rng.uniform(0.35, 0.6) + 0.15 * cloud((rows, columns), (48, 48), seed + 22)
    ceiling = 0.5 / (1.0 + np.exp(-(height - 40.0) / 6.0))
    floor = -0.25 / (1.0 + np.exp((height + 8.0) / 5.0))
    tone = np.repeat((walls + ceiling + floor)[..., None], 3, axis=2).astype(np.float32)
    tone *= rng.uniform(0.92, 1.0, 3).astype(np.float32)
    for _ in range(24):
        left, top = int(rng.uniform(0, columns - 30)), int(rng.uniform(100, 150))
        tone[top : top + int(rng.uniform(4, 26)), left : left + int(rng.uniform(5, 30))] *= (
            rng.uniform(0.4, 1.25) * rng.uniform(0.85, 1.15, 3)
        )
    for _ in range(2):
        left = int(rng.uniform(0, columns - 80))
        tone[50:118, left : left + int(rng.uniform(28, 70))] += (1.5, 1.7, 1.9)
    return np.asarray(np.clip(cv2.GaussianBlur(tone, (0, 0), 3.0), 0.02, None), np.float32)
