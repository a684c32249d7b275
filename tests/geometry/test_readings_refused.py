"""What a turner may tell that cannot be set against the photo: readings, a height in inches."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from exact_scene import scene, seen, traced

from calib.refusal import RefusalError
from measure import trace
from measure.solving import solve_outline


@pytest.fixture(scope="module")
def lying():
    rng = np.random.default_rng(3)
    it = scene("bench", rng)
    return it, *seen(it, rng)


def solved_with(lying, z, off=0.0):
    it, lens, found, outline = lying
    reading = 2.0 * float(it.solid.radius(np.array([min(z, it.solid.length)]))[0]) + off
    request = replace(it.request, known=((z, reading),))
    return solve_outline(request, lens, found, outline, 3)


def test_a_true_reading_is_taken(lying):
    assert solved_with(lying, 0.25 * lying[0].solid.length).estimate.kept > 0.9


@pytest.mark.parametrize(("share", "off", "code"), [
    (1.3, 0.0, "known-place"), (0.25, 8.0, "known-contradicts"),
])  # fmt: skip
def test_a_reading_off_the_piece_or_of_another_size_is_not(lying, share, off, code):
    with pytest.raises(RefusalError) as caught:
        solved_with(lying, share * lying[0].solid.length, off)
    assert caught.value.notice.code == code


def test_what_is_left_after_a_reading_is_refused_for_the_reading(lying, monkeypatch):
    """Passed over for a reading, the likelier outline leaves one of which nothing can be told."""
    it, lens, found, outline = lying
    solved = solve_outline(it.request, lens, found, outline, 3)
    reading = RefusalError("known-contradicts", "The reading contradicts.", "Measure again.")
    steps = {
        "check_box": None,
        "find_target": found,
        "parse_target": None,
        "target_zone": None,
        "prepare": None,
        "followed": replace(solved, contradicted=reading),
        "with_rest_chosen": replace(solved, contradicted=reading),
    }
    for name, gives in steps.items():
        monkeypatch.setattr(trace, name, lambda *_, gives=gives: gives)

    def refused(*_):
        raise RefusalError("rest-unclear", "How it lies is not told.", "Chock it level.")

    monkeypatch.setattr(trace, "finished", refused)
    photo = SimpleNamespace(size_px=(4032, 3024), name="mill.jpg", bgr=None)
    with pytest.raises(RefusalError) as caught:
        trace.measured(photo, it.request, lambda _: None, lens)
    assert caught.value.notice.code == "known-contradicts"


def test_an_axis_so_low_that_the_piece_would_sink_into_the_bench_is_refused():
    rng = np.random.default_rng(5)
    it = scene("level", rng)
    lens, found, outline = seen(it, rng)
    assert traced(it, lens, found, outline).result.profile.z_mm.size > 0
    inches = replace(it, request=replace(it.request, axis_height_mm=2.0))
    with pytest.raises(RefusalError) as caught:
        traced(inches, lens, found, outline)
    assert caught.value.notice.code == "axis-too-low"
