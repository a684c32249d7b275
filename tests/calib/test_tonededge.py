"""Edges told from shadows by colour, on scan lines whose edge is known exactly.

A line is the piece's light times its cover plus the bench's times the rest; the cover is a step
blurred by a Gaussian, from scipy, not from the code under test.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from calib import tonededge
from calib.edges import fit_edges, rim_shapes
from calib.tonededge import fit_toned, toned_shapes
from calib.tones import tones_along

BLUR = 0.95
SHAPES = toned_shapes(10.0, 3.0, BLUR)
ASIDE = 3.0
BROWN, PAPER, GREY = (0.10, 0.18, 0.30), (0.75, 0.78, 0.80), (0.20, 0.20, 0.20)


def lines_of(places, piece, bench, shadow=0.0, reach=3.0, shade=0.0, noise=0.0, seed=0):
    """Scan lines (n, m, 3) with the edge at given places; a shadow scales the bench's light."""
    rng = np.random.default_rng(seed)
    t = SHAPES.offsets_px[None, :] - np.asarray(places, dtype=float)[:, None]
    cover = norm.sf(t / BLUR)[..., None]
    lit = 1.0 - shadow * np.exp(-np.maximum(t, 0.0) / reach)
    turned = 1.0 - shade * np.exp(np.minimum(t, 0.0) / 3.0)
    light = cover * turned[..., None] * np.array(piece)
    light = light + (1.0 - cover) * lit[..., None] * np.array(bench)
    # What a photo is rough with is mostly lightness, in proportion to the light.
    light = light * (1.0 + noise * rng.standard_normal(t.shape)[..., None])
    light = light + 0.1 * noise * light * rng.standard_normal(light.shape)
    return light.astype(np.float32)


def fitted(light):
    return fit_toned(light, tones_along(light, SHAPES.offsets_px, ASIDE), SHAPES)


PLACES = np.linspace(-1.5, 1.5, 61)


@pytest.mark.parametrize(("piece", "bench"), [(BROWN, PAPER), (PAPER, BROWN), (GREY, PAPER)])
def test_a_plain_edge_is_found(piece, bench):
    found = fitted(lines_of(PLACES, piece, bench, noise=0.01))
    assert not found.at_limit.any()
    assert np.abs(found.offset_px - PLACES).max() < 0.1


def test_a_deep_shadow_beside_the_edge_does_not_move_it():
    found = fitted(lines_of(PLACES, BROWN, PAPER, shadow=0.85, reach=2.5, noise=0.03))
    assert abs(float(np.median(found.offset_px - PLACES))) < 0.1
    assert np.sqrt(np.mean((found.offset_px - PLACES) ** 2)) < 0.35


def test_colour_tells_more_than_light_alone_beside_a_noisy_shadow():
    light = lines_of(PLACES, BROWN, PAPER, shadow=0.85, reach=3.0, noise=0.10, seed=4)
    ours = fitted(light).offset_px - PLACES
    grey = np.repeat(light.mean(axis=2, keepdims=True), 3, axis=2)
    theirs = fit_edges(grey, rim_shapes(10.0, 3.0, (BLUR,))).offset_px - PLACES
    assert np.sqrt(np.mean(ours**2)) < 0.7 * np.sqrt(np.mean(theirs**2))


def test_a_piece_of_changing_colour_keeps_its_edge():
    # A polish mirrors the room: blue where the piece turns away.
    light = lines_of(PLACES, BROWN, PAPER, noise=0.01)
    t = SHAPES.offsets_px[None, :] - PLACES[:, None]
    gleam = norm.sf(t / BLUR) * np.exp(np.minimum(t, 0.0) / 3.0)
    light = light + (gleam[..., None] * np.array([0.25, 0.15, 0.05])).astype(np.float32)
    found = fitted(light)
    assert np.abs(np.median(found.offset_px - PLACES)) < 0.15


@settings(max_examples=25, deadline=None)
@given(st.floats(0.0, 0.85), st.floats(2.5, 8.0), st.floats(0.0, 0.4))
def test_no_shadow_or_shading_moves_the_edge_far(shadow, reach, shade):
    # Depths and reaches between those that are tried leave up to half a pixel, where light alone
    # is off by up to 1.7.
    found = fitted(lines_of(PLACES, BROWN, PAPER, shadow, reach, shade, noise=0.01))
    assert abs(float(np.median(found.offset_px - PLACES))) < 0.6


@pytest.mark.parametrize("rival", [0, 1, 2])
def test_what_a_rival_leaves_is_what_least_squares_leaves(rival):
    # Oracle: numpy.linalg.lstsq on the same columns written out, for one place and shape.
    light = lines_of([0.3], BROWN, PAPER, shadow=0.4, noise=0.05, seed=2)
    tones = tones_along(np.repeat(light, 5, axis=0), SHAPES.offsets_px, ASIDE).at(slice(0, 1))
    even = tones.evened(light)
    weight = tones.weight.T.astype(np.float32)
    wanted = [*tonededge._explained(even, weight, tones, SHAPES)][3 * 5 + rival]
    k = 12
    cover, shaded = (SHAPES.inside[i][k] * tones.weight[0] for i in (0, 1))
    beyond = SHAPES.outside[0][k] * tones.weight[0]
    own = {0: [tones.piece[0]], 1: list(np.eye(3)), 2: list(np.eye(3))}[rival]
    other = list(np.eye(3)) if rival == 2 else [tones.bench[0]]
    columns = [np.outer(f, c).ravel() for f in (cover, shaded) for c in own]
    columns += [np.outer(beyond, c).ravel() for c in other]
    design, target = np.array(columns).T, even[0].astype(float).ravel()
    answer = np.linalg.lstsq(design, target, rcond=None)[0]
    left = float(np.sum((target - design @ answer) ** 2))
    whole = float(np.sum(target**2))
    assert float(wanted[0][k, 0]) == pytest.approx(whole - left, rel=2e-4)


def test_lines_of_another_length_are_refused():
    light = lines_of([0.0], BROWN, PAPER)
    tones = tones_along(light, SHAPES.offsets_px, ASIDE)
    with pytest.raises(ValueError, match="samples"):
        fit_toned(light[:, 1:], tones, SHAPES)


def test_no_lines_give_no_edges():
    tones = tones_along(lines_of([0.0], BROWN, PAPER), SHAPES.offsets_px, ASIDE)
    none = np.zeros(0, dtype=np.int64)
    found = fit_toned(np.zeros((0, 21, 3), np.float32), tones.at(none), SHAPES)
    assert len(found.offset_px) == 0
