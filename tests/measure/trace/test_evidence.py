"""Evidence of a mirrored outline, on bands made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from measure.evidence import evidence_of


def band(half, rim, rows=40):
    """Return the features of a pale straight piece of half width `rim` on a dark bench."""
    inside = np.abs(np.arange(-half, half + 1)) <= rim
    features = np.zeros((rows, 2 * half + 1, 6), dtype=np.float32)
    features[..., 0] = np.where(inside, 0.5, -0.5)
    features[..., 3:] = 1.0
    features[..., 3] = np.where(inside, 1.0, -1.0)
    return features


@pytest.mark.parametrize(("half", "rim"), [(3, 1), (5, 2), (6, 3), (7, 3), (30, 12)])
def test_the_rim_has_most_evidence_however_narrow_the_band(half, rim):
    evidence, mirrored = evidence_of(band(half, rim), half)
    assert evidence.shape == mirrored.shape == (40, half + 1)
    assert np.all(np.abs(evidence.argmax(axis=1) - rim) <= 1)
