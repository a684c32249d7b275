"""A boring tool on a printed board: the board's scale reaches the trace."""

from __future__ import annotations

from pathlib import Path

import pytest

from calib.photo import read_photo
from calib.printed import BarReading, scale_of
from calib.refusal import RefusalError
from measure import tooltraces
from measure.result import TraceRequest

BOARD_PHOTO = Path(__file__).parents[3] / "sample_images" / "mill_board.jpg"


def test_the_board_is_found_with_the_scale_given(monkeypatch):
    seen = []

    def prepared(bgr, covers, box, zone):
        seen.append((len(covers), zone is not None))
        raise RefusalError("no-piece", "what", "do")

    monkeypatch.setattr(tooltraces, "prepare", prepared)
    scale = scale_of(BarReading(100.0, 100.0, 0.15))
    with pytest.raises(RefusalError) as caught:
        tooltraces.trace_tool(
            [read_photo(BOARD_PHOTO)],
            TraceRequest(target="a4"),
            [0.0],
            lambda _: None,
            scale=scale,
        )
    assert caught.value.notice.code == "no-piece"
    # The page is the zone; there is no card to cover.
    assert seen == [(0, True)]
