"""Axis lines of the piece in the photo: rough ones of its map, better ones of paired edges."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.band import Band, band_for, band_to_pixels, warp
from measure.blobs import blobs_of
from measure.evidence import agreement, changes
from measure.scene import PIECE, Scene

__all__ = ["axis_guesses", "distinct", "search_axis"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

PEAKS = 8
"""So many edges of a row are paired, the strongest ones."""
FAINTEST, SHARP = 0.25, 0.5
"""Sizes of edges, in strong edges: the least that counts, and one no soft shadow reaches."""
NARROWEST, VOTES_LEAST, STEP = 6, 20, 2.0
"""Least width of a pair and least number of pairs; step between the lines tried, pixels."""
REACH = 2
"""An edge is a change of colour over so many columns to both sides."""


@dataclass(frozen=True, slots=True)
class _Votes:
    """Middles of pairs of edges: (n,) row and column in the band, and weight."""

    row: FloatArray
    column: FloatArray
    weight: FloatArray
    band: Band


def axis_guesses(piece: Float32Array) -> list[tuple[FloatArray, FloatArray]]:
    """Return (ends (2, 2), half width) of rough axis lines, feature pixels, largest blob first."""
    whole = (piece > 0).astype(np.uint8)
    mask = cv2.morphologyEx(whole, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    labels, sizes = blobs_of(np.asarray(mask, dtype=np.uint8))
    guesses = []
    for k in np.argsort(-sizes[1:])[:2] + 1:
        if sizes[k] < 0.004 * mask.size:
            continue
        inside = cv2.findNonZero((labels == k).astype(np.uint8)).reshape(-1, 2)
        points = inside[:: max(1, len(inside) // 4000)].astype(np.float64)
        middle = points.mean(axis=0)
        _, vectors = np.linalg.eigh(np.cov((points - middle).T))
        d, across = vectors[:, 1], vectors[:, 0]
        along = (points - middle) @ d
        low, high = np.percentile(along, [0.5, 99.5])
        half = float(np.percentile(np.abs((points - middle) @ across), 98))
        guesses.append((np.stack([middle + low * d, middle + high * d]), np.array(half)))
    return guesses


def search_axis(scene: Scene, K: FloatArray, ends: FloatArray, half: float) -> list[FloatArray]:
    """Return axis lines (2, 2) that many mirrored pairs of edges agree on, near a rough one."""
    reach = 1.5 * half
    result = []
    for outermost in (False, True):
        lines = [ends]
        for angle_limit, keep in (
            (np.deg2rad(20.0), 5),
            (np.deg2rad(6.0), 1),
            (np.deg2rad(3.0), 1),
        ):
            following = []
            for line in lines:
                votes = _votes(scene, K, line, reach, outermost)
                if votes is not None:
                    count = min(keep, 2) if outermost else keep
                    following += _lines_of_votes(votes, angle_limit, half, count)
            lines = following
        result += lines
    return result


def _votes(
    scene: Scene, K: FloatArray, ends: FloatArray, reach: float, outermost: bool
) -> _Votes | None:
    """Return the middles of pairs of edges in the rows of a band.

    With `outermost` only the first and last sharp edge of each row make a pair: right for a
    shiny piece on a plain bench, whose highlights are sharper than its rims.
    """
    length = float(np.linalg.norm(ends[1] - ends[0]))
    band = band_for(ends, K, 0.05, reach, 1.0)
    every = max(1, int(length / 110))
    sampled = warp(scene.features, band)[::every]
    if sampled.shape[1] <= NARROWEST + 2 * REACH:
        return None  # across a thread no pair has room
    change, size = changes(sampled, REACH)
    peak = _peaks(size)
    if outermost:
        return _outermost(peak, float(every), band)
    return _paired(sampled, change, peak, float(every), reach, band)


def _peaks(size: Float32Array) -> Float32Array:
    """Return sizes of edges (rows, n) where they are greatest along their row, 0 elsewhere."""
    peak = np.zeros_like(size)
    inner = size[:, 2:-2]
    top = (
        (inner >= size[:, 1:-3])
        & (inner > size[:, 3:-1])
        & (inner >= size[:, :-4])
        & (inner > size[:, 4:])
    )
    peak[:, 2:-2] = np.where(top & (inner > FAINTEST), inner, 0.0)
    return peak


def _paired(
    sampled: Float32Array,
    change: Float32Array,
    peak: Float32Array,
    every: float,
    reach: float,
    band: Band,
) -> _Votes | None:
    """Return every pair of the strongest edges of each row, by how well they mirror each other."""
    picks = np.argsort(-peak, axis=1)[:, :PEAKS]
    rows = np.arange(len(sampled))[:, None]
    heights = peak[rows, picks]
    if not np.any(heights > 0):
        return None
    piece = np.cumsum(np.clip(sampled[..., PIECE], -1.0, 1.0), axis=1)
    i, j = np.triu_indices(PEAKS, 1)
    left = np.minimum(picks[:, i], picks[:, j])
    right = np.maximum(picks[:, i], picks[:, j])
    wide = right - left
    share = (piece[rows, right] - piece[rows, left]) / np.maximum(wide, 1)
    agree = agreement(change[rows, left], -change[rows, right])
    a, b = heights[:, i], heights[:, j]
    strength = np.sqrt(a * b / ((1 + a) * (1 + b)))
    # Wide pairs are few and narrow ones many: between grain lines, along a highlight.
    weight = strength * agree * np.clip(share / 0.7, 0.0, 1.0) * np.sqrt(wide / (2.0 * reach))
    weight[wide < NARROWEST] = 0.0
    keep = weight > 0.02
    if keep.sum() < VOTES_LEAST:
        return None
    row = np.broadcast_to(rows * every, wide.shape)[keep]
    return _Votes(row, 0.5 * (left + right)[keep], weight[keep], band)


def _outermost(peak: Float32Array, every: float, band: Band) -> _Votes | None:
    sharp = peak > SHARP
    some = np.flatnonzero(sharp.sum(axis=1) >= 2)
    if len(some) < VOTES_LEAST:
        return None
    left = sharp[some].argmax(axis=1)
    right = sharp.shape[1] - 1 - sharp[some, ::-1].argmax(axis=1)
    wide = right - left > NARROWEST
    row = some[wide] * every
    return _Votes(row, 0.5 * (left + right)[wide], np.ones(int(wide.sum())), band)


def _lines_of_votes(votes: _Votes, angle_limit: float, half: float, keep: int) -> list[FloatArray]:
    """Return the lines (2, 2) that most votes lie on, feature pixels."""
    band = votes.band
    middle = 0.5 * (band.rows - 1)
    angles = np.arange(-angle_limit, angle_limit + 1e-9, STEP / (0.5 * band.rows))
    tally = _tally(votes, angles, middle)
    lines = []
    for _ in range(keep):
        k, m = np.unravel_index(int(tally.argmax()), tally.shape)
        if tally[k, m] <= 0:
            break
        shift = (m - int(2 * band.half / STEP)) * STEP
        rows = np.array([0.05, 0.95]) * (band.rows - 1)
        columns = band.half + shift + np.tan(angles[k]) * (rows - middle)
        lines.append(band_to_pixels(band, columns, rows))
        near = np.abs(np.arange(tally.shape[1]) - m) * STEP < 0.12 * half + 4
        close = np.abs(angles - angles[k]) < np.deg2rad(4.0)
        tally[np.ix_(close, near)] = 0.0
    return lines


def _tally(votes: _Votes, angles: FloatArray, middle: float) -> FloatArray:
    """Return the votes for lines by angle and by offset at the middle row, as a Hough transform."""
    half = votes.band.half
    tilted = np.tan(angles)[:, None] * (votes.row - middle)[None, :]
    offset = votes.column[None, :] - half - tilted
    bins = np.round(offset / STEP).astype(np.int64) + int(2 * half / STEP)
    width = int(4 * half / STEP) + 2
    flat = np.clip(bins, 0, width - 1) + width * np.arange(len(angles))[:, None]
    weight = np.broadcast_to(votes.weight, flat.shape).ravel()
    tally = np.bincount(flat.ravel(), weight, minlength=width * len(angles))
    tally = tally.reshape(len(angles), width)
    return np.asarray(tally + 0.6 * (np.roll(tally, 1, axis=1) + np.roll(tally, -1, axis=1)))


def distinct(lines: list[FloatArray], near: float) -> list[FloatArray]:
    """Return the lines (2, 2) that run further than `near` pixels from those before them."""
    kept: list[FloatArray] = []
    for line in lines:
        if all(np.abs(_across(line, other)).max() > near for other in kept):
            kept.append(line)
    return kept


def _across(points: FloatArray, line: FloatArray) -> FloatArray:
    d = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
    return np.asarray((points - line[0]) @ np.array([-d[1], d[0]]))
