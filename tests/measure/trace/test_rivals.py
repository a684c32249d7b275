"""Where outlines come from and in which order: drawn pictures and polygons whose truth is known."""

from __future__ import annotations

import cv2
import numpy as np

from measure.goingon import gone_on, longer_at, may_go_on
from measure.paired import Rim
from measure.rimorder import in_order
from measure.rivals import no_piece
from measure.scene import prepare
from measure.toneclusters import cluster_maps

SIZE = (300, 400)


def drawn(piece_bgr, shadow=0.3):
    """Return a picture of a bar on an unevenly lit bench with its hard shadow, and both masks."""
    h, w = SIZE
    slope = np.linspace(0.75, 1.0, w)[None, :, None]
    light = np.ones((h, w, 3)) * np.array([0.22, 0.33, 0.42]) * slope
    piece, dark = np.zeros(SIZE, np.uint8), np.zeros(SIZE, np.uint8)
    cv2.rectangle(piece, (90, 120), (310, 170), 1, cv2.FILLED)
    cv2.rectangle(dark, (110, 150), (330, 200), 1, cv2.FILLED)
    light[dark > 0] *= shadow
    # Round: bright along the middle, dim toward both rims.
    rows = np.linspace(-1.0, 1.0, 51)[:, None, None]
    light[120:171, 90:311] = np.array(piece_bgr) * (0.35 + 0.65 * np.sqrt(1.0 - rows**2 * 0.95))
    noise = np.random.default_rng(2).normal(0.0, 0.006, light.shape)
    bgr = 255.0 * np.clip(light + noise, 0.0, 1.0) ** (1.0 / 2.2)
    unlike = np.where((piece > 0) | (dark > 0), 1.0, -1.0).astype(np.float32)
    return bgr.astype(np.uint8), piece > 0, unlike


def overlap(a, b):
    return np.sum(a & b) / np.sum(a | b)


def test_a_dark_piece_is_told_from_its_dark_shadow():
    bgr, piece, unlike = drawn((0.05, 0.05, 0.05))
    assert overlap(unlike > 0, piece) < 0.75
    regions = list(cluster_maps(bgr, unlike, np.ones(SIZE, dtype=bool)))
    assert max(overlap(region, piece) for region in regions) > 0.93


def test_what_is_covered_is_in_no_region():
    bgr, _, unlike = drawn((0.1, 0.2, 0.5))
    free = np.ones(SIZE, dtype=bool)
    free[:, 200:] = False
    for region in cluster_maps(bgr, unlike, free):
        assert not np.any(region[:, 215:])


def test_an_even_picture_has_no_regions():
    bgr = np.full((*SIZE, 3), 140, dtype=np.uint8)
    unlike = np.full(SIZE, -1.0, dtype=np.float32)
    assert list(cluster_maps(bgr, unlike, np.ones(SIZE, dtype=bool))) == []


def bar(first, last, half, borne_out=1.0):
    """Return a straight rim along x."""
    x = np.linspace(first, last, 60)
    sides = np.column_stack([x, np.full(60, half)]), np.column_stack([x, np.full(60, -half)])
    return Rim(sides, 1.0, borne_out, (last - first) * (borne_out - 0.5))


def test_the_whole_comes_before_a_part_that_is_borne_out_better():
    part, whole = bar(0.0, 300.0, 40.0), bar(0.0, 320.0, 40.0, 0.95)
    assert part.rank > whole.rank > 0.94 * part.rank
    assert in_order([part, whole])[0] is whole


def test_a_broader_outline_is_not_the_whole_of_a_narrower_one():
    true, shadow = bar(0.0, 300.0, 40.0), bar(0.0, 360.0, 52.0, 0.91)
    assert in_order([shadow, true])[0] is (true if true.rank > shadow.rank else shadow)
    assert in_order([true, shadow]) == sorted([true, shadow], key=lambda rim: -rim.rank)


def test_a_poorly_borne_out_whole_stays_behind():
    part, blurred = bar(0.0, 300.0, 40.0), bar(0.0, 360.0, 40.0, 0.8)
    assert in_order([blurred, part])[0] is part


BENCH, WOOD, GROOVE = (150, 150, 150), (60, 110, 180), (20, 40, 70)
TO_LINEAR = ((np.arange(256) / 255.0) ** 2.2).astype(np.float32)
CAMERA = np.array([[900.0, 0.0, 300.0], [0.0, 900.0, 200.0], [0.0, 0.0, 1.0]])


def photographed(first, last, groove=None, shadow=None):
    """Return a photo of a straight bar along its middle row, and the scene it makes."""
    photo = np.empty((400, 600, 3), np.uint8)
    photo[:] = BENCH
    if shadow is not None:
        cv2.rectangle(photo, shadow[0], shadow[1], (70, 70, 70), cv2.FILLED)
    cv2.rectangle(photo, (first, 160), (last, 240), WOOD, cv2.FILLED)
    if groove is not None:
        cv2.line(photo, (groove, 160), (groove, 240), GROOVE, 4)
    noise = np.random.default_rng(5).normal(0.0, 3.0, photo.shape)
    photo = np.clip(photo + noise, 0, 255).astype(np.uint8)
    return photo, prepare(photo, [], None)


def straight(first, last):
    """Return the rim of a bar as it is photographed."""
    x = np.linspace(first, last, 90)
    return Rim(
        (np.column_stack([x, np.full(90, 240.0)]), np.column_stack([x, np.full(90, 160.0)])),
        1.0, 0.98, 40.0,
    )  # fmt: skip


def test_a_piece_followed_to_a_groove_only_goes_on():
    photo, scene = photographed(150, 500, groove=340)
    rough = gone_on(photo, TO_LINEAR, scene, CAMERA, straight(150.0, 340.0))
    assert rough is not None
    for side, y in zip(rough, (240.0, 160.0), strict=True):
        assert abs(side[:, 0].max() - 500.0) < 8.0
        assert abs(side[:, 0].min() - 150.0) < 3.0
        assert np.median(np.abs(side[:, 1] - y)) < 3.0
    longer = Rim(rough, 1.0, 0.97, 75.0)
    assert may_go_on(longer, straight(150.0, 340.0))
    assert longer_at(longer, np.array([[150.0, 200.0], [340.0, 200.0]])) == (False, True)
    assert longer_at(longer, np.array([[340.0, 200.0], [150.0, 200.0]])) == (True, False)


def test_a_whole_piece_does_not_go_on_and_its_shadow_is_none_of_it():
    photo, scene = photographed(150, 450, groove=340)
    assert gone_on(photo, TO_LINEAR, scene, CAMERA, straight(150.0, 450.0)) is None
    photo, scene = photographed(150, 450, shadow=((170, 200), (520, 270)))
    assert gone_on(photo, TO_LINEAR, scene, CAMERA, straight(150.0, 450.0)) is None


def with_strips(stop):
    """Return a bar of which a pale stretch with a dark strip goes on, hardly unlike the bench."""
    photo, _ = photographed(150, 380)
    pale = photo[150, 390].astype(np.float64)
    strip = np.zeros((400, 600, 3))
    strip[176:225, 381:stop] = (-14.0, -8.0, -3.0)
    strip[186:196, 381:stop] = (-60.0, -60.0, -60.0)
    noise = np.random.default_rng(6).normal(0.0, 3.0, photo.shape)
    beyond = np.clip(pale + strip + noise, 0, 255).astype(np.uint8)
    photo[:, 381:] = beyond[:, 381:]
    return photo


def test_a_tenon_of_the_benchs_tone_with_a_lamination_goes_on_but_planks_that_run_on_do_not():
    # The lamination pairs with either side about axes astray, as the lines of planks do; but all
    # of it ends at the tenon's face.
    photo = with_strips(450)
    scene = prepare(photo, [], None)
    rough = gone_on(photo, TO_LINEAR, scene, CAMERA, straight(150.0, 380.0))
    assert rough is not None
    assert abs(rough[0][:, 0].max() - 450.0) < 8.0
    planks = with_strips(600)
    assert (
        gone_on(planks, TO_LINEAR, prepare(planks, [], None), CAMERA, straight(150.0, 380.0))
        is None
    )


def test_what_covers_the_bench_beyond_an_end_is_not_looked_at():
    photo, _ = photographed(150, 500, groove=340)
    card = np.array([[345.0, 100.0], [560.0, 100.0], [560.0, 300.0], [345.0, 300.0]])
    scene = prepare(photo, [card], None)
    assert gone_on(photo, TO_LINEAR, scene, CAMERA, straight(150.0, 340.0)) is None


def test_one_who_gave_a_box_is_not_told_to_give_one():
    assert "--box" in no_piece("mill.jpg", False).notice.advice
    boxed = no_piece("mill.jpg", True).notice
    assert "--box" not in boxed.advice
    assert "inside the box" in boxed.message
