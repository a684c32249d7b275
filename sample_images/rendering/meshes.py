"""Triangle meshes with exact outlines: a body of revolution, a card, a box; and their PLY files."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["Mesh", "block", "card_face", "card_wall", "closed_meridian", "revolved", "write_ply"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int32]

SEGMENTS = 720
"""Round the axis. The chord lies inside the circle by r (1 - cos(pi/n)): 0.0004 mm at r = 35."""
PLY_COLUMNS = ("x", "y", "z", "nx", "ny", "nz", "s", "t")
SHARP_RAD = np.deg2rad(14.0)
"""The meridian turns by more than this at an arris: the shading breaks there."""


@dataclass(frozen=True, slots=True)
class Mesh:
    """Vertices (n, 3) mm, unit normals (n, 3), texture coordinates (n, 2), faces (m, 3)."""

    vertices: FloatArray
    normals: FloatArray
    uv: FloatArray
    faces: IntArray

    def moved(self, to_world: FloatArray) -> Mesh:
        """Return the mesh under a rigid motion, (4, 4)."""
        rotation, shift = to_world[:3, :3], to_world[:3, 3]
        return Mesh(
            self.vertices @ rotation.T + shift, self.normals @ rotation.T, self.uv, self.faces
        )


def closed_meridian(zr: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the meridian with its end faces, (n, 2), and the share of its length at each point."""
    parts = [zr]
    if zr[0, 1] > 0.0:
        parts.insert(0, np.array([[zr[0, 0], 0.0]]))
    if zr[-1, 1] > 0.0:
        parts.append(np.array([[zr[-1, 0], 0.0]]))
    closed = np.concatenate(parts)
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    return closed, length / length[-1]


def revolved(zr: FloatArray, segments: int = SEGMENTS) -> Mesh:
    """Return the closed surface of revolution of a meridian, (n, 2) of (z, r), in the piece frame.

    Each cone between two points has its own two rings of vertices; the normals are averaged with
    the neighbour's unless the meridian turns sharply between them. u runs round the axis from +x
    toward +y, v along the meridian from end A.
    """
    closed, fraction = closed_meridian(zr)
    step = np.diff(closed, axis=0)
    length = np.hypot(*step.T)
    used = np.nonzero(length > 1e-9)[0]
    normal = np.column_stack([-step[used, 1], step[used, 0]]) / length[used, None]  # (nz, nr)
    start, end = normal.copy(), normal.copy()
    for i in range(len(used) - 1):
        if np.dot(normal[i], normal[i + 1]) > np.cos(SHARP_RAD):
            mean = normal[i] + normal[i + 1]
            end[i] = start[i + 1] = mean / np.hypot(*mean)
    points = np.stack([closed[used], closed[used + 1]], axis=1).reshape(-1, 2)
    normals = np.stack([start, end], axis=1).reshape(-1, 2)
    v = np.stack([fraction[used], fraction[used + 1]], axis=1).reshape(-1)
    return _swept(points, normals, v, segments)


def _swept(points: FloatArray, normals: FloatArray, v: FloatArray, segments: int) -> Mesh:
    angle = np.linspace(0.0, 2.0 * np.pi, segments + 1)
    cos, sin = np.cos(angle), np.sin(angle)
    ring = np.ones(segments + 1)
    vertices = np.stack(
        [np.outer(points[:, 1], cos), np.outer(points[:, 1], sin), np.outer(points[:, 0], ring)],
        axis=-1,
    )
    directions = np.stack(
        [np.outer(normals[:, 1], cos), np.outer(normals[:, 1], sin), np.outer(normals[:, 0], ring)],
        axis=-1,
    )
    uv = np.stack([np.outer(np.ones(len(v)), angle / (2.0 * np.pi)), np.outer(v, ring)], axis=-1)
    first = np.arange(0, len(points), 2)[:, None] * (segments + 1) + np.arange(segments)[None, :]
    a, b = first.ravel(), first.ravel() + 1
    c, d = a + segments + 1, b + segments + 1
    # On the axis a ring is one point, and a triangle with a side in it has no area.
    first_open, last_open = np.repeat(points.reshape(-1, 2, 2)[..., 1] > 0.0, segments, axis=0).T
    faces = np.concatenate(
        [np.column_stack([a, b, d])[first_open], np.column_stack([a, d, c])[last_open]]
    )
    return Mesh(
        vertices.reshape(-1, 3),
        directions.reshape(-1, 3),
        uv.reshape(-1, 2),
        faces.astype(np.int32),
    )


def rounded_outline(width: float, height: float, radius: float, steps: int = 48) -> FloatArray:
    """Return the outline of a rectangle with round corners, (n, 2), anticlockwise, not repeated."""
    if radius <= 0.0:
        return np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]]) * (width / 2.0, height / 2.0)
    turn = np.linspace(0.0, np.pi / 2.0, steps + 1)
    arcs = []
    for k, (sx, sy) in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
        centre = np.array([sx * (width / 2.0 - radius), sy * (height / 2.0 - radius)])
        angle = turn + k * np.pi / 2.0
        arcs.append(centre + radius * np.column_stack([np.cos(angle), np.sin(angle)]))
    return np.concatenate(arcs)


def card_face(width: float, height: float, radius: float) -> Mesh:
    """Return a card's face at Z = 0 of the target frame; u right, v up."""
    outline = rounded_outline(width, height, radius)
    points = np.concatenate([[[0.0, 0.0]], outline])
    vertices = np.column_stack([points, np.zeros(len(points))])
    n = len(outline)
    index = np.arange(n)
    faces = np.column_stack([np.zeros(n), 1 + index, 1 + (index + 1) % n]).astype(np.int32)
    normals = np.tile([0.0, 0.0, 1.0], (len(points), 1))
    return Mesh(vertices, normals, points / (width, height) + 0.5, faces)


def card_wall(width: float, height: float, radius: float, thickness: float) -> Mesh:
    """Return a card's wall and back, from Z = 0 down to -thickness."""
    outline = rounded_outline(width, height, radius)
    n = len(outline)
    top = np.column_stack([outline, np.zeros(n)])
    bottom = top - (0.0, 0.0, thickness)
    towards = outline - np.clip(
        outline,
        (-width / 2 + radius, -height / 2 + radius),
        (width / 2 - radius, height / 2 - radius),
    )
    side = towards / np.maximum(np.hypot(*towards.T), 1e-9)[:, None]
    outward = np.column_stack([side, np.zeros(n)])
    index = np.arange(n)
    after = (index + 1) % n
    wall = np.concatenate(
        [np.column_stack([n + index, n + after, after]), np.column_stack([n + index, after, index])]
    )
    back = np.column_stack([np.full(n - 2, 2 * n), 2 * n + 1 + index[1:-1], 2 * n + index[1:-1]])
    vertices = np.concatenate([top, bottom, bottom])
    normals = np.concatenate([outward, outward, np.tile([0.0, 0.0, -1.0], (n, 1))])
    faces = np.concatenate([wall, back]).astype(np.int32)
    return Mesh(vertices, normals, np.zeros((len(vertices), 2)), faces)


def block(size: tuple[float, float, float]) -> Mesh:
    """Return a box round the origin, mm."""
    corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], float) / 2.0
    sides = ((0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3))
    vertices, normals, faces = [], [], []
    for k, side in enumerate(sides):
        quad = corners[list(side)] * size
        normal = np.cross(quad[1] - quad[0], quad[2] - quad[0])
        vertices.append(quad)
        normals.append(np.tile(normal / np.linalg.norm(normal), (4, 1)))
        faces += [[4 * k, 4 * k + 1, 4 * k + 2], [4 * k, 4 * k + 2, 4 * k + 3]]
    uv = np.tile([[0, 0], [1, 0], [1, 1], [0, 1]], (6, 1)).astype(float)
    return Mesh(np.concatenate(vertices), np.concatenate(normals), uv, np.array(faces, np.int32))


def write_ply(mesh: Mesh, path: Path) -> None:
    """Write a binary PLY with normals and texture coordinates (s, t)."""
    head = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element vertex {len(mesh.vertices)}\n"
        + "".join(f"property float {name}\n" for name in PLY_COLUMNS)
        + f"element face {len(mesh.faces)}\nproperty list uchar int vertex_index\nend_header\n"
    )
    rows = np.concatenate([mesh.vertices, mesh.normals, mesh.uv], axis=1).astype("<f4")
    faces = np.empty(len(mesh.faces), dtype=[("n", "u1"), ("v", "<i4", 3)])
    faces["n"], faces["v"] = 3, mesh.faces
    with path.open("wb") as file:
        file.write(head.encode("ascii"))
        file.write(rows.tobytes())
        file.write(faces.tobytes())
