"""Circles found and followed in drawn pictures: exact shares of each pixel, known blur and noise.

The picture is drawn by casting a grid of rays a pixel at planes, which owes nothing to the code
that is tested but the camera's model.
"""

import cv2
import numpy as np
import pytest

from calib.finding import linear_table
from measure.circleedge import follow_circle
from measure.circlefind import find_circles
from tests.geometry.exact_views import lens_of, view_from

SIZE_PX = (900, 700)
NOWHERE = np.zeros((3, 2))


def view_over(camera, look_at, k1=0.0):
    lens = lens_of(700.0, ((SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2), k1=k1, size_px=SIZE_PX)
    return view_from(np.array(camera, dtype=float), np.array(look_at, dtype=float), lens)


def drawn(view, rings, blur=0.9, noise=1.0, fine=5):
    """Return a picture of discs (centre, diameter, linear light), each over those before it."""
    width, height = SIZE_PX
    x = (np.arange(width * fine) + 0.5) / fine - 0.5
    rows = []
    for row in range(height):
        y = (row * fine + np.arange(fine) + 0.5) / fine - 0.5
        px = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
        on = view.on_plane(px)
        light = np.full(len(on), 0.12)
        for centre, diameter, value in rings:
            light[np.linalg.norm(on - centre, axis=1) < diameter / 2.0] = value
        rows.append(light.reshape(fine, width, fine).mean(axis=(0, 2)))
    linear = cv2.GaussianBlur(np.array(rows), (0, 0), blur)
    encoded = np.where(linear < 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    grain = np.random.default_rng(5).normal(0.0, noise, encoded.shape)
    grey = np.clip(np.round(255.0 * encoded + grain), 0, 255).astype(np.uint8)
    return np.repeat(grey[:, :, None], 3, axis=2)


@pytest.mark.parametrize("k1", [0.0, 0.03])
def test_rim_and_bore_come_back(k1):
    view = view_over((40.0, -30.0, 180.0), (5.0, 0.0, 0.0), k1)
    middle = np.array([2.0, 3.0])
    picture = drawn(view, [(middle, 60.0, 0.5), (middle, 24.0, 0.03)])
    found = find_circles(picture, view, 0.0, NOWHERE)
    assert len(found) == 2
    for rough, diameter in zip(sorted(found, key=lambda c: -c.radius), (60.0, 24.0), strict=True):
        edge = follow_circle(picture, linear_table(), view, 0.0, rough)
        assert edge is not None
        assert edge.arc_deg > 350.0
        # 3.8 px/mm: a fiftieth of a pixel on the radius is 0.01 mm on the diameter.
        assert 2.0 * edge.circle.radius == pytest.approx(diameter, abs=0.02)
        assert edge.circle.centre == pytest.approx(middle, abs=0.01)


def test_an_even_bench_shows_no_circle():
    view = view_over((40.0, -30.0, 180.0), (5.0, 0.0, 0.0))
    assert find_circles(drawn(view, [], fine=1), view, 0.0, NOWHERE) == []


def test_nothing_is_found_under_the_card():
    view = view_over((0.0, 0.0, 180.0), (0.0, 0.01, 0.0))
    picture = drawn(view, [(np.zeros(2), 40.0, 0.5)], fine=2)
    corners = np.array([[-25.0, -25.0], [25.0, -25.0], [25.0, 25.0], [-25.0, 25.0]])
    card = view.to_pixels(np.column_stack([corners, np.zeros(4)]))
    assert len(find_circles(picture, view, 0.0, NOWHERE)) == 1
    assert find_circles(picture, view, 0.0, card) == []
