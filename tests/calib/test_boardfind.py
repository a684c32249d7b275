"""Boards found in synthetic warps, whose corners are known exactly."""

import importlib.resources

import cv2
import numpy as np
import pytest
from boardwarp import BENCH, PAPER, board_plane, develop, look, page_light, warp

from calib.board import BOARDS
from calib.boardfind import find_board
from calib.lens import project

SIZE = (1512, 1134)
LENS = np.array([1180.0, 760.0, 560.0, 0.05, -0.02])
A4 = BOARDS["a4"]


def true_px(board, lens, rotation, translation):
    world = np.column_stack([board.corners_mm, np.zeros(len(board.corners_mm))])
    return project(world @ rotation.T + translation, lens)


def errors(sighting, truth):
    return sighting.corners_px - truth[sighting.index]


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def test_a_corner_is_at_its_true_pixel_centre():
    # Face on, 5 px/mm, worked out here and not by the project's projection: the board's centre is
    # on a corner of pixel (350, 250), hence its saddle points on whole pixels.
    scale, middle = 5.0, np.array([350.5, 250.5])
    board = BOARDS["pocket"]
    fine = 8
    columns = (np.arange(700 * fine) + 0.5) / fine - 0.5
    rows = (np.arange(500 * fine) + 0.5) / fine - 0.5
    picture = np.zeros((500, 700), dtype=np.float32)
    for k in range(0, 500, 100):
        x, y = np.meshgrid(columns, rows[k * fine : (k + 100) * fine])
        mm = np.stack([(x - middle[0]) / scale, (middle[1] - y) / scale], axis=-1)
        light = page_light(board, mm).reshape(100, fine, 700, fine)
        picture[k : k + 100] = light.mean(axis=(1, 3))
    found = find_board(develop(picture, 1.0, 0.0, 0.5, 0))
    assert len(found.index) == len(board.corners_mm)
    truth = board.corners_mm * [scale, -scale] + middle
    assert np.array_equal(truth, np.round(truth))
    assert found.corners_px == pytest.approx(truth[found.index], abs=0.02)
    assert found.corners_px.mean(axis=0) == pytest.approx(middle, abs=0.002)


CASES = [
    # blur px, noise, sharpening, distance mm, least share seen, largest rms px
    (0.7, 0.01, 0.8, 330, 0.98, 0.02),
    (1.0, 0.01, 0.6, 400, 0.98, 0.02),
    (1.5, 0.02, 0.6, 400, 0.98, 0.03),
    (2.0, 0.01, 0.0, 400, 0.9, 0.03),
    (2.5, 0.01, 0.6, 320, 0.85, 0.06),
    (1.0, 0.01, 0.6, 620, 0.98, 0.03),
]


@pytest.mark.parametrize(("blur", "noise", "sharpen", "distance", "share", "most"), CASES)
def test_corners_are_exact_and_their_sd_is_right(blur, noise, sharpen, distance, share, most):
    off, scaled, seen = [], [], 0
    for seed in range(2):
        rotation, translation = look(20, 40 + 120 * seed, 10 + 75 * seed, distance, [5.0, 3.0])
        truth = true_px(A4, LENS, rotation, translation)
        grey = warp(
            A4, LENS, rotation, translation, SIZE,
            blur_px=blur, noise=noise, sharpen=sharpen, seed=seed,
        )  # fmt: skip
        found = find_board(grey)
        error = errors(found, truth)
        off.append(error)
        scaled.append(error / found.sd_px[:, None])
        seen += len(found.index)
    assert seen > share * 2 * len(A4.corners_mm)
    assert rms(np.concatenate(off)) < most
    assert np.abs(np.concatenate(off).mean(axis=0)).max() < 0.01
    assert 0.4 < rms(np.concatenate(scaled)) < 1.3


@pytest.mark.parametrize("board", BOARDS.values(), ids=lambda b: b.name)
def test_the_photo_tells_the_size_whichever_way_up_it_is(board):
    distance = 1.25 * board.page_mm[0] + 30
    rotation, translation = look(15, 80, 5, distance, [0.0, 0.0])
    truth = true_px(board, LENS, rotation, translation)
    grey = warp(board, LENS, rotation, translation, SIZE, noise=0.01, sharpen=0.5)
    width, height = SIZE
    turned = {
        0: truth,
        1: np.column_stack([truth[:, 1], width - 1 - truth[:, 0]]),
        2: np.array([width - 1, height - 1]) - truth,
        3: np.column_stack([height - 1 - truth[:, 1], truth[:, 0]]),
    }
    for turns, there in turned.items():
        found = find_board(np.ascontiguousarray(np.rot90(grey, turns)))
        assert found.board is board
        assert len(found.index) >= 0.97 * len(truth)
        assert rms(errors(found, there)) < 0.04
        assert np.array_equal(found.corners_mm, board.corners_mm[found.index])
        assert found.rivals == ()


def test_grey_and_colour_give_the_same():
    rotation, translation = look(15, 80, 5, 400, [0.0, 0.0])
    grey = warp(A4, LENS, rotation, translation, SIZE)
    one, other = find_board(grey), find_board(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR))
    assert np.array_equal(one.index, other.index)
    assert one.corners_px == pytest.approx(other.corners_px, abs=1e-9)


@pytest.mark.parametrize("depth", [0.3, 0.6])
@pytest.mark.parametrize("penumbra", [0.2, 4.0])
def test_a_piece_across_the_frame_and_a_hard_shadow_do_no_harm(depth, penumbra):
    rotation, translation = look(20, 60, 20, 400, [5.0, 3.0])
    truth = true_px(A4, LENS, rotation, translation)

    def light(mm):
        across = mm[..., 0] * 0.8 + mm[..., 1] * 0.6 - 31.0
        return depth + (1 - depth) * np.clip(across / penumbra + 0.5, 0, 1)

    def cover(mm, picture):
        piece = (np.abs(mm[..., 1] + 0.1 * mm[..., 0]) < 18) & (np.abs(mm[..., 0]) < 145)
        picture[piece] = 0.4

    grey = warp(
        A4, LENS, rotation, translation, SIZE, noise=0.01, sharpen=0.6, light=light, cover=cover
    )
    found = find_board(grey)
    x, y = A4.corners_mm.T
    hidden = (np.abs(y + 0.1 * x) < 18) & (np.abs(x) < 145)
    assert not np.any(hidden[found.index])
    assert len(found.index) > 0.9 * (~hidden).sum()
    assert rms(errors(found, truth)) < 0.03
    assert np.abs(errors(found, truth)).max() < 0.12


def test_half_the_board_out_of_the_picture_leaves_the_rest():
    rotation, translation = look(25, 200, 0, 380, [120.0, 40.0])
    truth = true_px(A4, LENS, rotation, translation)
    inside = np.all((truth > 12) & (truth < np.array(SIZE) - 13), axis=1)
    assert 0.3 < inside.mean() < 0.7
    found = find_board(warp(A4, LENS, rotation, translation, SIZE, noise=0.01, sharpen=0.6))
    assert inside[found.index].mean() > 0.97
    assert len(found.index) > 0.9 * inside.sum()
    assert rms(errors(found, truth)) < 0.04


def test_strong_distortion_is_no_hindrance():
    lens = np.array([1180.0, 760.0, 560.0, -0.28, 0.1])
    rotation, translation = look(20, 60, 20, 330, [5.0, 3.0])
    truth = true_px(A4, lens, rotation, translation)
    inside = np.all((truth > 12) & (truth < np.array(SIZE) - 13), axis=1)
    found = find_board(warp(A4, lens, rotation, translation, SIZE, noise=0.01, sharpen=0.6))
    assert len(found.index) > 0.95 * inside.sum()
    assert rms(errors(found, truth)) < 0.04


def test_a_second_board_is_named():
    rotation, translation = look(10, 60, 0, 620, [0.0, 0.0])
    mm = board_plane(SIZE, LENS, rotation, translation)
    shift = np.array([160.0, 0.0])
    for other in ("letter", "a4"):
        left = page_light(A4, mm + shift)
        right = page_light(BOARDS[other], mm - shift)
        both = np.where(mm[..., 0] < 0, left, right).astype(np.float32)
        found = find_board(develop(both, 0.8, 0.01, 0.5, 0))
        assert {found.board.name, *found.rivals} == {"a4", other}
        assert len(found.rivals) == 1


def test_only_the_boards_asked_for_are_found():
    rotation, translation = look(10, 60, 0, 400, [0.0, 0.0])
    grey = warp(A4, LENS, rotation, translation, SIZE)
    assert find_board(grey, [BOARDS["a3"], BOARDS["letter"]]) is None
    assert find_board(grey, [A4]).board is A4


def chessboard():
    tile = np.kron(np.indices((9, 12)).sum(axis=0) % 2, np.ones((80, 80)))
    picture = np.pad(tile * (PAPER - 0.05) + 0.05, 120, constant_values=BENCH)
    return develop(picture.astype(np.float32), 1.0, 0.01, 0.5, 0)


def label_sheet():
    random = np.random.default_rng(3)
    picture = np.full((1134, 1512), PAPER, dtype=np.float32)
    for _ in range(400):
        x, y = random.integers(0, 1450), random.integers(0, 1080)
        side = random.integers(14, 50)
        picture[y : y + side, x : x + side] = 0.05
        cells = random.integers(0, 2, (4, 4)).astype(np.float32) * 0.8 + 0.05
        inner = cv2.resize(cells, (side * 2 // 3, side * 2 // 3), interpolation=cv2.INTER_NEAREST)
        k = side // 6
        patch = picture[y + k : y + k + len(inner), x + k : x + k + len(inner)]
        patch[:] = inner[: patch.shape[0], : patch.shape[1]]
    return develop(picture, 1.0, 0.01, 0.5, 0)


def noise():
    return np.random.default_rng(0).integers(0, 256, (1134, 1512)).astype(np.uint8)


def stock(name):
    folder = importlib.resources.files("skimage.data")
    raw = np.frombuffer((folder / name).read_bytes(), np.uint8)
    picture = cv2.imdecode(raw, cv2.IMREAD_GRAYSCALE)
    return cv2.resize(picture, None, fx=2.5, fy=2.5, interpolation=cv2.INTER_CUBIC)


@pytest.mark.parametrize(
    "picture",
    [chessboard, label_sheet, noise, lambda: np.full((800, 900), 128, np.uint8)]
    + [lambda n=n: stock(n) for n in ("page.png", "text.png", "brick.png", "chessboard_GRAY.png")]
    + [lambda n=n: stock(n) for n in ("camera.png", "coins.png", "grass.png", "gravel.png")],
)
def test_no_board_is_seen_where_there_is_none(picture):
    assert find_board(picture()) is None


def test_tiny_pictures_are_no_trouble():
    assert find_board(np.zeros((100, 100), np.uint8)) is None
    assert find_board(np.zeros((1, 1, 3), np.uint8)) is None
