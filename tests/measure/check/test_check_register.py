"""Registration against a brute-force search written apart from it, and what it must refuse."""

import numpy as np
import pytest
from checkpieces import (
    LENGTH,
    Noise,
    bump,
    flipped,
    measured_copy,
    mill_diameter,
    mill_plan,
    rows_with_shoulders,
)

from calib.refusal import RefusalError
from measure.measured import Measured
from measure.planmaking import checked_plan
from measure.profile import Profile
from measure.register import register

PLAN = mill_plan()
SHAPES = {
    "perfect": mill_diameter,
    "fat stretch": lambda z: mill_diameter(z) + bump(z, 60.0, 40.0, 1.0),
    "bead moved": lambda z: mill_diameter(z, 1.0),
    "shy all over": lambda z: mill_diameter(z) - 2.0,
    "small": lambda z: 0.995 * mill_diameter(z / 0.995),
}


def brute_cost(piece, plan, offset, turned, scale):
    """The documented cost, by plain interpolation at 0.05 mm and the textbook median."""
    p = piece.profile
    low, high = p.z_mm[0], p.z_mm[-1]
    n = int((high - low) / 0.05)
    step = (high - low) / n
    z = low + (np.arange(n) + 0.5) * step
    d = np.interp(z, p.z_mm, p.diameter_mm)
    at = offset - z if turned else offset + z
    seen = (at >= plan.z_mm[0]) & (at <= plan.z_mm[-1])
    if not seen.any():
        return np.inf
    e = d[seen] - np.interp(at[seen], plan.z_mm, plan.diameter_mm)
    e = e - np.median(e)
    data = np.sum(e**2 / (e**2 + scale**2)) * step
    covered = min(at.max() + step / 2, plan.z_mm[-1]) - max(at.min() - step / 2, plan.z_mm[0])
    length = high - low
    return (data + length - covered + 0.3 * (plan.z_mm[-1] - plan.z_mm[0] - covered)) / length


def brute_best(piece, plan, scale):
    """Every offset in steps of 0.5 mm both ways round, then of 0.01 mm about the best."""
    best = (np.inf, 0.0, False)
    for turned in (False, True):
        centre = LENGTH if turned else 0.0
        for offset in centre + np.arange(-60.0, 60.0, 0.5):
            best = min(best, (brute_cost(piece, plan, offset, turned, scale), offset, turned))
    _, start, turned = best
    for offset in start + np.arange(-0.6, 0.6, 0.01):
        best = min(best, (brute_cost(piece, plan, offset, turned, scale), offset, turned))
    return best


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("name", SHAPES)
def test_brute_force_finds_the_same_place(name, turned):
    rng = np.random.default_rng(len(name) + turned)
    z, d = rows_with_shoulders(SHAPES[name])
    piece = measured_copy(z, d, Noise(), rng)
    piece = flipped(piece) if turned else piece
    placement, _ = register(piece, PLAN)
    cost, offset, flip = brute_best(piece, PLAN, placement.scale_mm)
    assert placement.flipped == flip == turned
    assert abs(placement.offset_mm - offset) <= 0.05  # one sample of the profile
    assert placement.cost <= cost + 1e-3


def test_offset_lies_within_its_uncertainty():
    errors = []
    noise = Noise(scale=0.0, local=0.05, correlation_mm=2.0)
    for seed in range(40):
        piece = measured_copy(
            *rows_with_shoulders(mill_diameter), noise, np.random.default_rng(seed)
        )
        placement, _ = register(piece, PLAN)
        errors.append(abs(placement.offset_mm) / placement.u95_mm)
    assert np.mean(np.array(errors) <= 1.0) >= 0.9


def test_plan_longer_than_piece():
    z, d = rows_with_shoulders(lambda z: mill_diameter(z + 40.0), 140.0)
    placement, _ = register(measured_copy(z, d, Noise(), np.random.default_rng(0)), PLAN)
    assert abs(placement.offset_mm - 40.0) < 0.2
    assert not placement.flipped


def test_ends_and_shoulder_as_datum():
    z, d = rows_with_shoulders(mill_diameter)
    piece = measured_copy(z, d, Noise(), None)
    assert register(piece, PLAN, "start")[0].offset_mm == pytest.approx(0.0, abs=1e-9)
    assert register(piece, PLAN, "end")[0].offset_mm == pytest.approx(0.0, abs=1e-9)
    # A piece whose foot is 3 mm too long: its shoulder at 150 still comes to the plan's.
    longer = Profile(z + 3.0, d, piece.profile.u95_mm, piece.profile.u95_common_mm)
    shifted = Measured("x", longer, 183.0, 0.2)
    assert register(shifted, PLAN, 150.0)[0].offset_mm == pytest.approx(-3.0, abs=0.02)
    turned = flipped(piece)
    assert register(turned, PLAN, 150.0)[0].offset_mm == pytest.approx(180.0, abs=0.02)
    assert register(turned, PLAN, "start")[0].offset_mm == pytest.approx(180.0, abs=1e-9)


def test_shoulder_that_is_not_there():
    piece = measured_copy(*rows_with_shoulders(mill_diameter), Noise(), None)
    with pytest.raises(RefusalError) as caught:
        register(piece, PLAN, 60.0)
    assert caught.value.notice.code == "no-shoulder"


def test_cut_end_is_no_datum():
    piece = measured_copy(*rows_with_shoulders(mill_diameter), Noise(), None)
    cut = Measured("cut", piece.profile, None, None, start_cut=True)
    with pytest.raises(RefusalError) as caught:
        register(cut, PLAN, "start")
    assert caught.value.notice.code == "datum-cut"
    assert register(cut, PLAN, "end")[0].offset_mm == pytest.approx(0.0, abs=1e-9)


def test_symmetrical_piece_says_that_it_cannot_tell():
    z = np.linspace(0.0, 100.0, 401)
    d = 40.0 + 5.0 * np.cos((z - 50.0) / 50.0 * np.pi)
    plan = checked_plan("even", z, d)
    piece = measured_copy(z, d, Noise(), np.random.default_rng(2))
    placement, notices = register(piece, plan)
    assert [n.code for n in notices] == ["flip-unclear"]
    assert not placement.flipped


def other_pieces():
    z = np.arange(0.0, 150.0, 0.25)
    yield "bowl foot", z, 90.0 - 50.0 * (z / 150.0) ** 2
    yield "knobbly spindle", z, 35.0 + 9.0 * np.sin(z / 4.0)
    yield "thin rod", z, np.full_like(z, 12.0)
    yield "vase", z, 40.0 + 22.0 * np.sin(z / 150.0 * np.pi * 1.7 + 0.4)
    yield "reversed taper", z, 30.0 + 25.0 * z / 150.0


@pytest.mark.parametrize("case", list(other_pieces()), ids=lambda c: c[0])
def test_another_piece_altogether_is_refused_with_how_different(case):
    _, z, d = case
    piece = measured_copy(z, d, Noise(), np.random.default_rng(1))
    with pytest.raises(RefusalError) as caught:
        register(piece, PLAN)
    assert caught.value.notice.code == "other-piece"
    assert "mm off" in caught.value.notice.message


def test_fat_blank_is_judged_only_with_a_datum():
    z = np.arange(0.0, 180.25, 0.25)
    piece = measured_copy(z, np.full_like(z, 64.0), Noise(), None)
    with pytest.raises(RefusalError):
        register(piece, PLAN)
    placement, _ = register(piece, PLAN, "start", "no")
    assert placement.offset_mm == 0.0


def test_plan_in_inches_is_noticed():
    inches = checked_plan("inches", PLAN.z_mm / 25.4, PLAN.diameter_mm / 25.4)
    piece = measured_copy(*rows_with_shoulders(mill_diameter), Noise(), None)
    with pytest.raises(RefusalError) as caught:
        register(piece, inches)
    assert caught.value.notice.code == "plan-units"
    assert "inch" in caught.value.notice.advice


@pytest.mark.parametrize(("turned", "said", "right"), [(False, "yes", "no"), (True, "no", "yes")])
def test_a_piece_said_to_lie_the_wrong_way_round_is_refused_not_judged(turned, said, right):
    piece = measured_copy(*rows_with_shoulders(mill_diameter), Noise(), np.random.default_rng(3))
    piece = flipped(piece) if turned else piece
    with pytest.raises(RefusalError, match="this way round") as caught:
        register(piece, PLAN, flip=said)
    assert caught.value.notice.code == "other-piece"
    assert register(piece, PLAN, flip=right)[0].flipped == turned
