"""What is said of crests, hollows and shoulders."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from measure.landmarks import CREST, HOLLOW, SHOULDER, landmarks
from measure.markwords import is_narrow, size_words
from measure.profile import Profile
from measure.units import METRIC

Z = np.arange(0.0, 80.01, 0.25)


def rows(diameter: NDArray[np.float64], z: NDArray[np.float64] = Z) -> Profile:
    u95 = np.full(len(z), 0.1)
    return Profile(z, diameter, u95, 0.5 * u95)


def smeared(diameter: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return rows as a trace draws them: each the mean over a millimetre."""
    padded = np.pad(diameter, 2, mode="edge")
    return np.convolve(padded, np.full(5, 0.2), mode="valid")


def said(profile: Profile, kind: str) -> list[str]:
    marks = [mark for mark in landmarks(profile) if mark.kind == kind]
    return [size_words(profile, mark, METRIC.number) for mark in marks]


@pytest.mark.parametrize("sizes", [(42.0, 48.0), (48.0, 42.0)])
def test_of_a_shoulder_the_side_nearer_z_0_comes_first(sizes: tuple[float, float]) -> None:
    z = np.sort(np.append(Z, 40.0))
    step = np.where(np.arange(len(z)) <= np.flatnonzero(z == 40.0)[0], *sizes)
    assert said(rows(step, z), SHOULDER) == [f"{sizes[0]:.1f} / {sizes[1]:.1f}"]


@pytest.mark.parametrize(("sense", "kind", "limit"), [(-1.0, HOLLOW, "less"), (1.0, CREST, "more")])
@pytest.mark.parametrize("width", [0.5, 1.0, 1.25, 1.5])
def test_narrow_cut_or_ridge_has_a_limit(width: float, sense: float, kind: str, limit: str) -> None:
    """A V 1.5 mm deep: over 1 mm its bottom is filled up by more than what the ± allows."""
    sharp = 45.0 + sense * 2.0 * 1.5 * np.maximum(1.0 - np.abs(Z - 40.0) / (0.5 * width), 0.0)
    profile = rows(smeared(sharp))
    found = float(profile.diameter_mm[Z == 40.0][0])
    assert abs(found - 45.0) < 3.0 - 0.1  # the true one lies outside the ±
    assert said(profile, kind) == [f"{METRIC.number(found)} or {limit}"]
    (mark,) = (m for m in landmarks(profile) if m.kind == kind)
    assert size_words(profile, mark, METRIC.number, traced=False) == METRIC.number(found)


@pytest.mark.parametrize("radius", [2.5, 4.0, 10.0, 40.0])
def test_cove_that_shows_is_given_as_it_is(radius: float) -> None:
    """Arcs 1.5 mm deep, 5 mm wide and more."""
    arc = np.sqrt(np.maximum(radius**2 - (Z - 40.0) ** 2, 0.0)) - (radius - 1.5)
    profile = rows(smeared(45.0 - 2.0 * np.maximum(arc, 0.0)))
    (mark,) = (m for m in landmarks(profile) if m.kind == HOLLOW)
    assert not is_narrow(profile, mark)


def test_narrow_cut_beside_a_shoulder_is_narrow_all_the_same() -> None:
    """Its prominence is the shoulder's and not its own depth."""
    cut = 45.0 - 2.0 * np.maximum(1.0 - np.abs(Z - 40.0) / 0.625, 0.0)
    profile = rows(smeared(np.where(np.abs(Z - 40.0) > 3.0, 52.0, cut)))
    (mark,) = (m for m in landmarks(profile) if m.kind == HOLLOW)
    assert mark.prominence_mm > 6.0
    assert is_narrow(profile, mark)
