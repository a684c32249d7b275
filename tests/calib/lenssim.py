"""Simulated corner sets: a page seen by a known lens from known places, with Gaussian noise."""

import numpy as np
from boardwarp import look

from calib.board import BOARDS
from calib.lens import project
from calib.lenscalibrate import NamedView
from calib.lensmodel import PageView, page_basis

SIZE = (4032, 3024)
A4 = BOARDS["a4"]
# Tilt and direction of ten photos as the advice asks for them: above, four steep ones, four
# toward the corners, one more from above.
PLACES = [
    (3, 0), (35, 0), (35, 90), (35, 180), (35, 270),
    (20, 45), (20, 135), (20, 225), (20, 315), (8, 10),
]  # fmt: skip


def some_lens(random):
    """Lens vector as a phone's: focal off by up to 3 %, centre by 20 px, small distortion."""
    return np.array(
        [
            3140 * (1 + random.uniform(-0.03, 0.03)),
            2015.5 + random.normal(0, 20),
            1511.5 + random.normal(0, 20),
            random.normal(0.03, 0.015),
            random.normal(-0.02, 0.01),
        ]
    )


def simulate(
    seed,
    *,
    photos=10,
    noise=0.05,
    bow_mm=0.0,
    focus=0.0,
    ratio=1.0,
    tilt=None,
    distance=(300, 380),
    aim_mm=25.0,
    points_mm=A4.corners_mm,
    lens=None,
):
    """Return the true lens and the views."""
    random = np.random.default_rng(seed)
    lens = some_lens(random) if lens is None else lens
    views = []
    for i in range(photos):
        steep, turn = PLACES[i % len(PLACES)]
        steep = steep if tilt is None else tilt
        rotation, translation = look(
            abs(steep + random.normal(0, 3 if tilt is None else 0.5)),
            turn + random.normal(0, 15),
            random.choice([0, 90, 180]) + random.normal(0, 8),
            random.uniform(*distance),
            random.normal(0, aim_mm, 2),
        )
        bow = page_basis(points_mm) @ random.normal(0, [bow_mm, bow_mm / 2, bow_mm])
        page = np.column_stack([points_mm * [ratio**-0.5, ratio**0.5], bow])
        moved = lens * [1 + random.normal(0, focus) if focus else 1.0, 1, 1, 1, 1]
        px = project(page @ rotation.T + translation, moved)
        px = px + random.normal(0, noise, px.shape)
        seen = np.all((px > 8) & (px < np.array(SIZE) - 9), axis=1)
        view = PageView(points_mm[seen], px[seen], np.full(int(seen.sum()), 0.01))
        views.append(NamedView(f"photo{i + 1}.jpg", view))
    return lens, views
