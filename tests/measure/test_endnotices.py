from dataclasses import replace

import numpy as np
import pytest

from measure.ends import EndPoint
from measure.pieceends import PieceEnds, chuck_notices, end_notices
from measure.startend import far_end_name, starts_far

HIDDEN, SEEN = EndPoint(0.0, 1.2, "dome", 3.0), EndPoint(140.0, 0.08, "flat", 140.0)
ACROSS = np.array([[200.0, 400.0], [1500.0, 700.0]])


def codes(start, stop, free=True):
    ends = PieceEnds(start, stop, (False, False))
    return [notice.code for notice in end_notices(ends, ACROSS, free)]


def test_a_hidden_tip_at_the_start_is_named_with_the_better_end():
    ends = PieceEnds(HIDDEN, SEEN, (False, False))
    (notice,) = end_notices(ends, ACROSS, True)
    assert notice.code == "start-hidden"
    assert "2.4 mm" in notice.message
    assert "--from right" in notice.advice


def test_nothing_is_said_where_it_would_not_help():
    assert codes(SEEN, HIDDEN) == []
    assert codes(HIDDEN, HIDDEN) == []
    assert codes(HIDDEN, SEEN, free=False) == []


def test_an_end_that_nothing_explains_is_named():
    assert codes(EndPoint(0.0, 2.0, "unknown", 1.0), SEEN) == ["end-unclear"]


def test_an_end_past_which_the_piece_goes_on_is_named():
    ends = PieceEnds(SEEN, replace(SEEN, kind="cut"), (False, True), (False, True))
    (notice,) = end_notices(ends, ACROSS, True)
    assert notice.code == "goes-on"
    assert "last end" in notice.message


def test_where_a_lathe_may_hold_it_is_named():
    ends = PieceEnds(replace(SEEN, kind="cut"), SEEN, (True, False), (False, False), (True, False))
    (notice,) = end_notices(ends, ACROSS, True)
    assert notice.code == "end-held"
    assert "first end" in notice.message


def chuck_codes(*cut, setup="plane", boxed=False, held=(False, False), going_on=(False, False)):
    ends = PieceEnds(SEEN, SEEN, cut, going_on, held)
    return [notice.code for notice in chuck_notices(setup, ends, boxed)]


def test_a_chuck_in_the_picture_is_not_taken_for_the_piece_without_a_word():
    assert chuck_codes(True, False) == ["chuck-measured"]
    assert chuck_codes(True, False, boxed=True) == []
    assert chuck_codes(True, False, held=(True, False)) == []
    assert chuck_codes(False, True, going_on=(False, True)) == []
    assert chuck_codes(True, False, setup="bench") == []
    assert chuck_codes(False, False) == ["chuck-hides"]


@pytest.mark.parametrize("turn", range(0, 360, 30))
def test_the_far_end_is_where_z_would_start_the_other_way(turn):
    way = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
    ends = np.array([[0.0, 0.0], 100.0 * way])
    assert starts_far(ends, far_end_name(ends))
