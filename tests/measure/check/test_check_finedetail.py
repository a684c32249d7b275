"""What a photo cannot show of a plan is not judged by it."""

import numpy as np
from checkpieces import Noise, measured_copy, mill_plan, rows_with_shoulders

from measure.check import CheckRequest, check
from measure.finedetail import too_fine
from measure.planmaking import checked_plan


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
