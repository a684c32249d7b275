"""What a photo cannot show of a plan is not judged by it."""

import dataclasses

import numpy as np
import pytest
from checkpieces import Noise, measured_copy, mill_plan, rows_with_shoulders

from measure.check import CheckRequest, check
from measure.checkwords import check_words
from measure.finedetail import too_fine
from measure.planmaking import checked_plan
from measure.units import METRIC


def plain(z):
    return np.where(np.asarray(z) < 12.0, 56.0, np.where(np.asarray(z) < 150.0, 47.0, 40.0))


def cut(z, middle, width, depth):
    """A V of that width at the surface and that depth on the diameter."""
    return depth * np.clip(1.0 - np.abs(z - middle) / (width / 2.0), 0.0, None)


def plan_with(shape):
    z = np.round(np.arange(0.0, 180.01, 0.05), 2)
    z = np.sort(np.append(z, [12.0, 150.0]))
    d = plain(z) - shape(z)
    for at, before in ((12.0, 56.0), (150.0, 47.0)):
        d[np.nonzero(z == at)[0][0]] = before
    return checked_plan("plan", z, d)


def test_a_narrow_cut_that_the_photo_fills_up_is_no_error():
    """A V 1.25 mm wide and 1 mm deep beside sound wood, of which the trace shows half the depth."""
    plan = plan_with(lambda z: cut(z, 80.0, 1.25, 2.0))
    z, d = rows_with_shoulders(plain)
    piece = measured_copy(z, d - cut(z, 80.0, 1.8, 1.0), Noise(), np.random.default_rng(3))
    result = check(piece, plan, CheckRequest((0.3, 0.3)))
    near = np.abs(result.rows.z_mm - 80.0) < 4.0
    assert np.sum(near) > 15
    assert np.all(result.rows.verdict[near] == "within")
    (skipped,) = (u for u in result.unjudged if u.reason == "finer than the photo shows")
    assert 78.5 < skipped.z_from_mm < 79.4
    assert 80.6 < skipped.z_to_mm < 81.5


def test_what_is_wide_enough_is_judged():
    """Shoulders, a groove 4 mm wide, a V as wide as it, and a bead of 2 mm radius."""
    bead = lambda z: -2.0 * np.sqrt(np.clip(4.0 - (z - 60.0) ** 2, 0.0, None))
    groove = lambda z: 3.0 * (np.abs(z - 80.0) < 2.0)
    plan = plan_with(lambda z: bead(z) + groove(z) + cut(z, 100.0, 4.0, 3.0))
    z = np.arange(0.5, 179.5, 0.25)
    assert not np.any(too_fine(plan, z))


def test_a_narrow_ridge_is_as_fine_as_a_cut():
    plan = plan_with(lambda z: -2.0 * (np.abs(z - 70.0) < 0.5))
    z = np.arange(0.5, 179.5, 0.25)
    fine = z[too_fine(plan, z)]
    assert 68.7 <= fine[0] < 69.6
    assert 70.4 < fine[-1] <= 71.3


def test_the_valley_beside_a_bead_is_judged():
    """Bead and body meet in an open V: it may not hide that the bead has moved."""
    z = np.arange(0.5, 179.5, 0.25)
    assert not np.any(too_fine(mill_plan(), z))


def seen_in_groove(z, middle, width, depth, slant_deg, d):
    """What a line of sight that slants along the piece clears of a square groove, on the diameter.

    It passes the axis at r and is sqrt(r² + (s / tan t)²) from it a way s along the piece farther
    on: to clear the groove's edge of radius R at half its width w, R² - r² <= (w / 2 tan t)².
    """
    rim = d / 2.0
    clear = np.sqrt(rim**2 - (width / 2.0 / np.tan(np.radians(slant_deg))) ** 2)
    return np.where(np.abs(z - middle) < width / 2.0, np.maximum(clear, rim - depth / 2.0) * 2.0, d)


def test_a_groove_that_a_slanting_sight_line_cannot_see_into_is_not_called_proud():
    """Sound, 2.5 mm wide and 3 mm off the diameter; a sight line at 20 degrees shows 0.5 of it."""
    groove = lambda z: 3.0 * (np.abs(z - 80.0) < 1.25)
    plan = plan_with(groove)
    z, d = rows_with_shoulders(plain)
    shown = seen_in_groove(z, 80.0, 2.5, 3.0, 20.0, d)
    assert 0.4 < d[z == 80.0][0] - shown[z == 80.0][0] < 0.6
    result = check(measured_copy(z, shown, Noise(), None), plan, CheckRequest((0.3, 0.3)))
    assert result.verdict == "within"
    (skipped,) = result.unjudged
    assert skipped.reason == "too narrow to show how deep it is"
    assert 77.9 < skipped.z_from_mm < 78.8
    assert 81.2 < skipped.z_to_mm < 82.1


def test_a_narrow_groove_that_shows_too_deep_is_told():
    """What is seen to be missing is missing, however narrow it is."""
    plan = plan_with(lambda z: 1.0 * (np.abs(z - 80.0) < 1.25))
    z, d = rows_with_shoulders(plain)
    deep = d - 3.0 * (np.abs(z - 80.0) < 1.25)
    result = check(measured_copy(z, deep, Noise(), None), plan, CheckRequest((0.3, 0.3)))
    (place,) = (place for place in result.places if place.verdict == "outside")
    assert not place.proud
    assert abs(place.z_mm - 80.0) < 1.0


def test_two_mills_seen_into_a_groove_from_two_sides_are_not_told_apart_there():
    """Both have it 3 mm deep; of one photo 0.5 mm shows, of the other 1.7 mm, both ways round."""
    z, d = rows_with_shoulders(plain)
    little, more = (seen_in_groove(z, 80.0, 2.5, 3.0, slant, d) for slant in (20.0, 11.0))
    for seen, planned in ((little, more), (more, little)):
        drawn = checked_plan("other", z, planned)
        plan = dataclasses.replace(drawn, source="trace", longest_bridge_mm=0.5)
        piece = measured_copy(z, seen, Noise(), None)
        result = check(piece, plan, CheckRequest((0.3, 0.3), pair=False))
        assert result.verdict == "within"
        assert [u.reason for u in result.unjudged] == ["too narrow to show how deep it is"]


def test_the_headline_does_not_call_what_was_not_judged_within():
    plan = plan_with(lambda z: 3.0 * (np.abs(z - 80.0) < 1.25))
    z, d = rows_with_shoulders(plain)
    proud = d + 0.28 * (np.abs(z - 40.0) < 5.0)
    piece = measured_copy(z, proud, Noise(), None)
    result = check(piece, plan, CheckRequest((0.3, 0.3)))
    told = check_words(result, METRIC).headline.partition(": ")[2].split(", ")
    lengths = {words: float(mm) for mm, _, words in (each.partition(" mm ") for each in told)}
    assert list(lengths) == ["within", "too close to call", "not judged"]
    # A millimetre for rounding, and half a row on either side of each stretch.
    assert sum(lengths.values()) == pytest.approx(z[-1] - z[0], abs=2.0)
    assert lengths["not judged"] == round(sum(u.z_to_mm - u.z_from_mm for u in result.unjudged))
