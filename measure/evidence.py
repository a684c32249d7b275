"""What speaks for a mirrored outline, at each half width of each row of a band."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.vectors import sum_of_planes
from measure.scene import FREE, PIECE, SEEN

__all__ = ["agreement", "changes", "evidence_of", "tracing_evidence"]

Float32Array = NDArray[np.float32]

BEYOND = 7
EVEN_EDGE = 0.25
"""Size of an edge, in strong edges, that counts half."""
REGION_WEIGHT = 0.25
REGION_NORM = 0.16
HUE_NOISE_SHARE = 0.5
"""A change of hue below this share of a strong edge says little of its direction."""
NOTHING = 0.2
"""Evidence of a row without a piece: an outline must be better than this."""


def evidence_of(sampled: Float32Array, half: int) -> tuple[Float32Array, Float32Array]:
    """Return what speaks for an outline at each half width of each row; column 0: no piece there.

    Parameters
    ----------
    sampled : (rows, 2 half + 1, 6) features on a band's grid.
    half : samples on each side of the middle.

    Returns
    -------
    evidence : (rows, half + 1) for tracing: edges, on both sides better than on one, and whether
        what lies inside looks like piece and what lies outside like bench.
    mirrored : (rows, half + 1) for judging an axis: edges that stand on both sides with the same
        change of colour. The lightness need not change alike: light comes from one side.
    """
    change, size = changes(sampled, 1)
    evidence, paired = _evidence(sampled, size, half)
    mirrored = paired * widen(agreement(-change[:, half:], change[:, half::-1]))
    return evidence, np.asarray(mirrored, dtype=np.float32)


def tracing_evidence(sampled: Float32Array, half: int) -> Float32Array:
    """Return the first part of `evidence_of`, at half its cost."""
    return _evidence(sampled, changes(sampled, 1)[1], half)[0]


def _evidence(
    sampled: Float32Array, size: Float32Array, half: int
) -> tuple[Float32Array, Float32Array]:
    """Return the evidence for tracing, and what of it is edges on both sides, (rows, half + 1)."""
    tolerant = np.maximum(widen(size), size)
    size_a, size_b = tolerant[:, half:], tolerant[:, half::-1]
    edge_a, edge_b = size_a / (EVEN_EDGE + size_a), size_b / (EVEN_EDGE + size_b)
    both = np.sqrt(edge_a * edge_b)
    piece = np.clip(sampled[..., PIECE], -1.0, 1.0) * sampled[..., SEEN]
    inside = np.cumsum(piece[:, half:] + piece[:, half::-1], axis=1)
    norm = REGION_NORM * sampled.shape[0]
    balance = (2.0 * inside - inside[:, -1:]) / norm
    # A highlight or a lamination inside the piece has more of the piece beyond it on both sides.
    beyond = np.minimum(_beyond(piece[:, half:]), _beyond(piece[:, half::-1]))
    inner = np.where(beyond > 0.0, np.float32(0.35), np.float32(1.0))
    evidence = inner * (0.7 * both + 0.15 * (edge_a + edge_b)) + REGION_WEIGHT * balance
    unseen = np.minimum(sampled[:, half:, SEEN], sampled[:, half::-1, SEEN]) < 0.5
    evidence[unseen] = -1.0
    empty = NOTHING - REGION_WEIGHT * inside[:, -1] / norm
    # A row outside the photo holds nothing that could be measured.
    evidence[:, 0] = np.where(sampled[:, half, SEEN] < 0.5, 10.0, empty)
    return np.asarray(evidence, dtype=np.float32), inner * both


def _beyond(piece: Float32Array) -> Float32Array:
    """Return the piece map a few samples further out than each half width."""
    last = piece.shape[1] - 1
    return piece[:, np.minimum(np.arange(last + 1) + BEYOND, last)]


def changes(sampled: Float32Array, reach: int) -> tuple[Float32Array, Float32Array]:
    """Return the change of colour across the band (rows, n, 3) and its size; 0 at the target."""
    colour, n = sampled[..., :3], sampled.shape[1]
    change = np.zeros_like(colour)
    change[:, reach:-reach] = colour[:, 2 * reach :] - colour[:, : n - 2 * reach]
    free = np.minimum(sampled[:, 2 * reach :, FREE], sampled[:, : n - 2 * reach, FREE])
    change[:, reach:-reach][free < 0.9] = 0.0
    return change, np.sqrt(sum_of_planes(change * change))


def agreement(a: Float32Array, b: Float32Array) -> Float32Array:
    """Return how alike two changes of colour are, 0.2 to 1; the hue alone is enough."""
    dot = a * b
    hue_dot = dot[..., 1] + dot[..., 2]
    size = np.sqrt(sum_of_planes(a * a) * sum_of_planes(b * b))
    hue_size = np.sqrt((a[..., 1] ** 2 + a[..., 2] ** 2) * (b[..., 1] ** 2 + b[..., 2] ** 2))
    alike = (hue_dot + dot[..., 0]) / np.maximum(size, 1e-6)
    hue = hue_dot / (hue_size + HUE_NOISE_SHARE**2)
    return np.asarray(0.2 + 0.8 * np.clip(np.maximum(alike, hue), 0.0, 1.0), dtype=np.float32)


def widen(values: Float32Array) -> Float32Array:
    wide = values.copy()
    np.maximum(wide[..., 1:], values[..., :-1], out=wide[..., 1:])
    np.maximum(wide[..., :-1], values[..., 1:], out=wide[..., :-1])
    return wide
