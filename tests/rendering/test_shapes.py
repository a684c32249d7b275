"""Meshes, resting place and analytic outline against trimesh and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial import ConvexHull

from sample_images.rendering.contour import outline_of
from sample_images.rendering.meshes import card_face, card_wall, revolved
from sample_images.rendering.pieces import FAMILIES, NAMED, random_piece
from sample_images.rendering.resting import lying
from sample_images.rendering.staging import laid_piece


def as_trimesh(vertices: np.ndarray, faces: np.ndarray) -> trimesh.Trimesh:
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    mesh.merge_vertices(merge_norm=True, merge_tex=True)
    return mesh


@pytest.mark.parametrize("name", sorted(NAMED))
def test_centre_of_mass_is_that_of_the_mesh(name: str) -> None:
    """trimesh integrates the mesh; the frustum sum is exact for the polyline."""
    zr = NAMED[name]()
    mesh = revolved(zr, 90)
    solid = as_trimesh(mesh.vertices, mesh.faces)
    assert solid.is_watertight
    assert solid.volume > 0.0
    assert lying(zr).mass_z_mm == pytest.approx(float(solid.center_mass[2]), abs=0.01)


def test_a_cone_rests_on_its_flank() -> None:
    zr = np.array([[0.0, 10.0], [100.0, 20.0]])
    rest = lying(zr)
    assert rest.tilt_rad == pytest.approx(np.arctan(0.1))
    height, tilt = rest.heights()
    low_b = height + 100.0 * np.sin(tilt) - 20.0 * np.cos(tilt)
    assert low_b == pytest.approx(0.0, abs=1e-12)
    height, tilt = rest.heights(0.05, 0.05)
    assert height + 100.0 * np.sin(tilt) - 20.0 * np.cos(tilt) == pytest.approx(0.05, abs=1e-12)


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_random_pieces_touch_the_bench_and_no_more(family: str) -> None:
    for seed in range(4):
        rng = np.random.default_rng(seed)
        zr = random_piece(rng, family, 170.0, 46.0)
        assert zr[-1, 0] == pytest.approx(170.0)
        assert zr[:, 1].max() == pytest.approx(23.0, abs=1e-3)
        assert np.diff(zr[:, 0]).min() >= 0.0
        world = laid_piece(zr, 0.3, 0.0)
        vertices = revolved(zr, 360).moved(world).vertices
        assert vertices[:, 2].min() == pytest.approx(0.0, abs=2e-3)


def test_a_ball_shows_its_tangent_cone() -> None:
    """The outline of a ball of radius R seen from D lies on the cone of half angle asin(R/D)."""
    t = np.linspace(0.0, np.pi, 721)
    zr = np.column_stack([20.0 * (1.0 - np.cos(t)), 20.0 * np.sin(t)])
    eye = np.array([130.0, -40.0, 60.0])
    outline = outline_of(zr, np.eye(4), eye, 0.05)
    ray = outline.points - eye
    centre = np.array([0.0, 0.0, 20.0]) - eye
    cosine = ray @ centre / np.linalg.norm(ray, axis=-1) / np.linalg.norm(centre)
    expected = np.arcsin(20.0 / np.linalg.norm(centre))
    np.testing.assert_allclose(np.arccos(cosine), expected, atol=2e-5)


def test_outline_of_a_convex_piece_is_the_hull_of_its_picture() -> None:
    zr = np.array([[0.0, 12.0], [1.0, 13.0], [60.0, 16.0], [90.0, 15.0], [100.0, 8.0]])
    world = laid_piece(zr, 0.4, 0.0)
    eye = np.array([40.0, -90.0, 300.0])

    def seen(points: np.ndarray) -> np.ndarray:
        local = points - eye
        return local[:, :2] / -local[:, 2:] * 1000.0

    all_of_it = seen(revolved(zr, 1440).moved(world).vertices)
    outline = seen(outline_of(zr, world, eye, 0.05, 4001).points.reshape(-1, 3))
    hull, own = ConvexHull(all_of_it), ConvexHull(outline)
    assert own.volume == pytest.approx(hull.volume, rel=2e-5)
    beyond = hull.equations[:, :2] @ outline.T + hull.equations[:, 2:]
    assert beyond.max() < 5e-3


def test_card_is_a_rounded_rectangle() -> None:
    """Area of a rectangle with round corners: w h - (4 - pi) r^2."""
    face = card_face(85.6, 53.98, 3.18)
    area = trimesh.Trimesh(face.vertices, face.faces, process=False).area
    assert area == pytest.approx(85.6 * 53.98 - (4.0 - np.pi) * 3.18**2, rel=1e-5)
    wall = card_wall(85.6, 53.98, 3.18, 0.76)
    assert wall.vertices[:, 2].min() == -0.76
    both = np.concatenate([face.faces, wall.faces + len(face.vertices)])
    solid = as_trimesh(np.concatenate([face.vertices, wall.vertices]), both)
    assert solid.volume == pytest.approx(area * 0.76, rel=1e-6)
