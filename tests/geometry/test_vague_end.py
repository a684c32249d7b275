"""An end up to which hardly anything was followed: it may lie anywhere, and carries no piece."""

from dataclasses import replace

import numpy as np
import pytest
from exact_scene import scene, seen, traced

from calib.refusal import RefusalError
from measure.rest import resting_places
from measure.sides import contour_values
from measure.solving import solve_outline

VAGUE_MM = 25.0


def lying(rng, on_its_end):
    """Return a piece that lies on its far end, or on nothing near it."""
    while True:
        it = scene("bench", rng)
        rest = resting_places(*it.solid.resting_table())[0]
        beyond = it.solid.length - rest.second_mm[0]
        if it.solid.length > 4.0 * VAGUE_MM and (beyond < 1.0 if on_its_end else beyond > VAGUE_MM):
            return it


def far_end_vague(it, outline, vague_mm=VAGUE_MM):
    """Return the outline of which the last stretch shows one point in three."""
    z = contour_values(outline.points_px, outline.tangents, it.view, it.axis)[0]
    vague = ~(z < it.solid.length - vague_mm)
    shown = np.arange(len(z)) % 3 == 0
    return replace(outline, clear=outline.clear & (shown | ~vague))


@pytest.mark.parametrize("seed", range(4))
def test_the_length_is_as_unsure_as_what_was_not_followed_is_long(seed):
    rng = np.random.default_rng(seed)
    it = lying(rng, on_its_end=False)
    lens, found, outline = seen(it, rng)
    sure, vague = (
        traced(it, lens, found, each).result for each in (outline, far_end_vague(it, outline))
    )
    assert "end-unclear" not in {notice.code for notice in sure.notices}
    assert sure.length_u95_mm < 5.0
    assert "end-unclear" in {notice.code for notice in vague.notices}
    assert 0.7 * VAGUE_MM < vague.length_u95_mm < 1.5 * VAGUE_MM


@pytest.mark.parametrize("seed", range(4))
def test_a_piece_is_not_said_to_rest_on_an_end_that_was_not_seen(seed):
    rng = np.random.default_rng(seed)
    while True:
        it = lying(rng, on_its_end=True)
        lens, found, outline = seen(it, rng)
        vague = far_end_vague(it, outline, 8.0)
        rest = solve_outline(it.request, lens, found, vague, 3).rests[0]
        # Where the end rises, it rests elsewhere by what is left to be seen.
        if it.solid.length - rest.second_mm[0] < 10.0:
            break
    assert traced(it, lens, found, outline).result.length_mm is not None
    with pytest.raises(RefusalError) as caught:
        traced(it, lens, found, vague)
    assert caught.value.notice.code == "rest-unclear"
