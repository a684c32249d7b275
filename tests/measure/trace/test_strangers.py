"""What lies just outside an outline: bench, shadow, or more of the piece. Drawn pictures."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from measure.outline import refine_outline
from measure.solved import BURNT_MOST, STRANGE_MOST
from measure.strangers import burnt_share, lies_within, much_the_same, strange_share

TO_LINEAR = ((np.arange(256) / 255.0) ** 2.2).astype(np.float32)
PAPER, SHADOW, WALNUT, MAPLE = (190, 195, 198), (95, 98, 99), (40, 55, 90), (120, 170, 205)
WINDOW = (0.9, 0.65, 0.3)
"""How much of the paper's light comes from a blue window: of its blue, green and red."""


def followed(strips=(), shadow=False, hides=0.0):
    """Return a photo of a walnut bar on paper, pale strips along it, and the walnut's outline.

    `hides`: share of the light of a blue window that the bar hides from the paper at its rim.
    """
    photo = np.empty((600, 1000, 3), np.uint8)
    photo[:] = PAPER
    if shadow:
        cv2.rectangle(photo, (180, 240), (820, 420), SHADOW, cv2.FILLED)
    for low, high in strips:
        cv2.rectangle(photo, (200, low), (800, high), MAPLE, cv2.FILLED)
    if hides:
        away = np.ones(photo.shape[:2], np.uint8)
        away[260:341, 200:801] = 0
        share = hides * np.exp(-cv2.distanceTransform(away, cv2.DIST_L2, 5) / 10.0)
        lit = TO_LINEAR[photo] * (1.0 - share[..., None] * WINDOW)
        photo = np.round(255.0 * lit ** (1.0 / 2.2)).astype(np.uint8)
    cv2.rectangle(photo, (200, 260), (800, 340), WALNUT, cv2.FILLED)
    noise = np.random.default_rng(3).normal(0.0, 2.5, photo.shape)
    photo = cv2.GaussianBlur(np.clip(photo + noise, 0, 255).astype(np.uint8), (0, 0), 0.9)
    x = np.linspace(200.0, 800.0, 200)
    cap = np.linspace(300.0, 340.0, 20)[:-1]
    low = np.concatenate(
        [
            np.column_stack([np.full(19, 200.0), cap]),
            np.column_stack([x, np.full(200, 340.0)]),
            np.column_stack([np.full(19, 800.0), cap[::-1]]),
        ]
    )
    high = low * [1.0, -1.0] + [0.0, 600.0]
    return photo, refine_outline(photo, TO_LINEAR, (low, high))


@pytest.mark.parametrize("shadow", [False, True])
def test_bench_and_shadow_are_no_strangers(shadow):
    photo, outline = followed(shadow=shadow)
    assert strange_share(photo, TO_LINEAR, outline) < 0.5 * STRANGE_MOST


@pytest.mark.parametrize("hides", [0.2, 0.5])
def test_a_shadow_of_another_colour_is_no_stranger(hides):
    photo, outline = followed(hides=hides)
    assert strange_share(photo, TO_LINEAR, outline) < 0.5 * STRANGE_MOST


def test_strips_on_both_sides_belong_to_the_piece():
    photo, outline = followed(strips=((246, 259), (341, 354)))
    assert strange_share(photo, TO_LINEAR, outline) > 2.0 * STRANGE_MOST


def test_a_strip_on_one_side_is_no_proof():
    photo, outline = followed(strips=((341, 354),))
    assert strange_share(photo, TO_LINEAR, outline) < 0.5 * STRANGE_MOST


@pytest.mark.parametrize(
    ("inside", "is_burnt"), [(WALNUT, False), (MAPLE, False), ((255, 255, 255), True)]
)
def test_an_outline_round_a_highlight_is_told(inside, is_burnt):
    photo, outline = followed()
    cv2.rectangle(photo, (200, 260), (800, 340), inside, cv2.FILLED)
    assert (burnt_share(photo, outline) > BURNT_MOST) == is_burnt


def test_a_lamination_lies_within_the_piece_and_not_the_other_way_round():
    photo, outline = followed()
    broad = refine_outline(photo, TO_LINEAR, _box(180.0, 240.0, 820.0, 360.0))
    assert lies_within(outline, broad)
    assert not lies_within(broad, outline)
    # The same piece followed a little wider is no other, nor is one that reaches out of it.
    assert not lies_within(
        outline, refine_outline(photo, TO_LINEAR, _box(200.0, 258.0, 800.0, 342.0))
    )
    assert not lies_within(
        outline, refine_outline(photo, TO_LINEAR, _box(300.0, 200.0, 900.0, 400.0))
    )


def test_one_rim_that_ends_otherwise_is_much_the_same_and_another_rim_is_not():
    photo, outline = followed()

    def beside(*box):
        return much_the_same(outline, refine_outline(photo, TO_LINEAR, _box(*box)))

    assert beside(200.0, 260.0, 760.0, 340.0)
    assert beside(150.0, 260.0, 800.0, 340.0)
    # A lamination in it, what lies round it, and half of it.
    assert not beside(200.0, 285.0, 800.0, 315.0)
    assert not beside(180.0, 240.0, 820.0, 360.0)
    assert not beside(200.0, 260.0, 480.0, 340.0)


def _box(left, top, right, bottom):
    """Return the two sides of a box, from the middle of its left end to that of its right."""
    middle = 0.5 * (top + bottom)
    half = np.linspace(0.0, 1.0, 20)[:-1, None]
    side = np.concatenate(
        [
            [left, middle] + half * [0.0, bottom - middle],
            [left, bottom] + np.linspace(0.0, 1.0, 200)[:, None] * [right - left, 0.0],
            [right, bottom] + half * [0.0, middle - bottom],
        ]
    )
    return side, side * [1.0, -1.0] + [0.0, 2.0 * middle]
