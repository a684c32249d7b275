"""Two pieces in one photo, drawn, and what is said where neither can be measured."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from calib.photo import read_photo
from calib.refusal import RefusalError
from measure import rivals
from measure.result import TraceRequest
from measure.scene import prepare
from measure.trace import trace
from measure.twopieces import lie_apart

SAMPLES = Path(__file__).parents[3] / "sample_images"
CARD = np.array([[600.0, 560.0], [860.0, 560.0], [860.0, 720.0], [600.0, 720.0]])


def drawn(*pieces):
    """Return a scene of (x, y, length, breadth) rectangles of wood on a dark bench."""
    bgr = np.full((756, 1008, 3), (70, 60, 50), np.uint8)
    cv2.fillPoly(bgr, [CARD.astype(np.int32)], (230, 230, 230))
    for x, y, length, breadth in pieces:
        cv2.rectangle(bgr, (x, y), (x + length, y + breadth), (120, 170, 210), -1)
    noise = np.random.default_rng(4).normal(0.0, 4.0, bgr.shape)
    return prepare(np.clip(bgr + noise, 0, 255).astype(np.uint8), [CARD], None)


@pytest.mark.parametrize(
    ("pieces", "two"),
    [
        ([(150, 100, 600, 120)], False),
        ([(150, 100, 600, 120), (150, 320, 500, 100)], True),
        ([(80, 100, 350, 100), (560, 110, 330, 100)], True),
        ([(150, 100, 600, 120), (200, 400, 120, 60)], False),  # a pencil stub, not another piece
        ([(150, 100, 600, 120), (150, 300, 220, 200)], False),  # a block
    ],
)
def test_two_long_regions_of_like_size_are_two_pieces(pieces, two):
    assert lie_apart(drawn(*pieces)) == two


def test_one_piece_that_cannot_be_measured_is_not_called_two(monkeypatch):
    """mill_shadow is one mill in hard shadow."""
    photo = read_photo(SAMPLES / "mill_shadow.jpg")
    with pytest.raises(RefusalError) as refused:
        trace(photo, TraceRequest())
    assert refused.value.notice.code == "not-turned"
    monkeypatch.setattr(rivals, "lie_apart", lambda scene: True)
    with pytest.raises(RefusalError) as refused:
        trace(photo, TraceRequest())
    assert refused.value.notice.code == "two-pieces"
    assert "--box" in refused.value.notice.advice
    with pytest.raises(RefusalError) as refused:
        trace(photo, replace(TraceRequest(), box_px=(0.0, 0.0, 4000.0, 3000.0)))
    assert refused.value.notice.code != "two-pieces"
