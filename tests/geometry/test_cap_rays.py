"""How deep a ray goes into the end of a piece: rays moved aside from exact outlines.

A ray of the outline just touches. Moved outward in the picture by half a pixel it passes by at that
distance, moved inward it goes as deep, whatever the end is: on a low dome that is many times less
than what the radius is at fault by there.
"""

import numpy as np
import pytest
from exact_piece import exact_outline, low_domed, seen_outline
from exact_views import lens_of, view_from

from measure.caprays import depth_mm, end_rays
from measure.revolve import Axis

LENGTH = 100.0
RADIUS_MM = 15.0
INSIDE_MM = 20.0
MOVED_PX = 0.5
WHERE = {"level": 0.0, "oblique": 60.0, "very oblique": 150.0, "from inside": -120.0}


def deep_px(height_mm, beyond_mm, moved_px):
    """Return how deep the rays about the far end go, (n,) px, each moved outward so far."""
    solid = low_domed(LENGTH, RADIUS_MM, height_mm)
    place = np.array([0.5 * LENGTH + beyond_mm, -70.0, 380.0])
    view = view_from(place, [0.4 * LENGTH, 0.0, 20.0], lens_of(3028.0, k1=0.01, k2=-0.01))
    axis = Axis(np.array([-0.5 * LENGTH, 0.0, 30.0]), np.array([1.0, 0.0, 0.0]))
    exact = exact_outline(view, axis, solid)
    outline = seen_outline(exact, None, 0.0, (0.0, 0.0), np.ones(len(exact.points_px)))
    rays = view.rays(outline.points_px + moved_px * outline.normals())
    camera = view.camera_centre_mm
    root = LENGTH - height_mm
    x = np.arange(0.0, INSIDE_MM, 0.2)
    lines = end_rays(rays, camera, axis, root, -1.0, x, np.full(len(x), RADIUS_MM))
    near = lines.start - lines.pace * lines.b / lines.a < 0.5 * INSIDE_MM

    def radius(inward):
        closed = np.clip(-inward / max(height_mm, 1e-9), 0.0, 1.0)
        return RADIUS_MM * np.sqrt(1.0 - closed**2)

    face = RADIUS_MM if height_mm == 0.0 else 0.0
    scale = float(np.linalg.norm(axis.at(root) - camera)) / view.lens.focal_px
    return depth_mm(lines, radius, height_mm, face)[near] / scale


@pytest.mark.parametrize("where", WHERE)
@pytest.mark.parametrize("height_mm", [0.0, 2.0, 4.0, 10.0])
def test_a_ray_moved_aside_is_as_deep_as_it_was_moved(height_mm, where):
    touching = deep_px(height_mm, WHERE[where], 0.0)
    assert np.max(np.abs(touching)) < 0.1
    # At a corner the outline has no one normal to be moved along.
    for moved in (MOVED_PX, -MOVED_PX):
        off = np.abs(deep_px(height_mm, WHERE[where], moved) + moved)
        assert np.median(off) < 0.1
        assert np.percentile(off, 95.0) < 0.3
