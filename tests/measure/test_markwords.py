"""What is said of crests, hollows and shoulders."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from measure.landmarks import HOLLOW, SHOULDER, landmarks
from measure.markwords import size_words
from measure.profile import Profile
from measure.units import METRIC

Z = np.arange(0.0, 80.01, 0.25)


def rows(diameter: NDArray[np.float64], z: NDArray[np.float64] = Z) -> Profile:
    u95 = np.full(len(z), 0.1)
    return Profile(z, diameter, u95, 0.5 * u95)


def said(profile: Profile, kind: str) -> list[str]:
    marks = [mark for mark in landmarks(profile) if mark.kind == kind]
    return [size_words(profile, mark, METRIC.number) for mark in marks]


@pytest.mark.parametrize("sizes", [(42.0, 48.0), (48.0, 42.0)])
def test_of_a_shoulder_the_side_nearer_z_0_comes_first(sizes: tuple[float, float]) -> None:
    z = np.sort(np.append(Z, 40.0))
    step = np.where(np.arange(len(z)) <= np.flatnonzero(z == 40.0)[0], *sizes)
    assert said(rows(step, z), SHOULDER) == [f"{sizes[0]:.1f} / {sizes[1]:.1f}"]


def test_narrow_cut_has_a_limit() -> None:
    """A V 1.25 wide and 1.5 mm deep, each row the mean over a millimetre: its bottom is gone."""
    sharp = 45.0 - 2.0 * 1.5 * np.maximum(1.0 - np.abs(Z - 40.0) / 0.625, 0.0)
    padded = np.pad(sharp, 2, mode="edge")
    profile = rows(np.convolve(padded, np.full(5, 0.2), mode="valid"))
    found = float(profile.diameter_mm[Z == 40.0][0])
    assert found - 0.1 > 45.0 - 3.0
    assert said(profile, HOLLOW) == [f"{found:.1f} or less"]
    wide = rows(45.0 - 3.0 * np.exp(-0.5 * ((Z - 40.0) / 5.0) ** 2))
    assert said(wide, HOLLOW) == ["42.0"]
