"""The expected uncertainty, against closed forms and published bounds."""

import numpy as np
import pytest

from calib import expected as module
from calib.board import BOARDS
from calib.expected import expected
from calib.lens import lens_from_exif
from calib.modelpiece import ModelPiece, contacts, side_points
from calib.movedview import Scene, framed_distance, moved_sight, moved_view, tilt_of
from calib.photochange import Asked, Seen, calibrated_like, changes, placed
from calib.printed import BarReading, scale_of
from calib.sight import SIDE_NORMALS, SideSight, fit_view
from calib.targets import ID1
from calib.view import View
from measure import fit, rimbias, setting, sidepairs
from measure.revolve import Axis, contact_points

SIZE = (4032, 3024)
LENS = lens_from_exif(SIZE, 26.0)
MIDDLE = np.array([0.0, 50.0, 0.0])
HALF = 0.5 * np.array([ID1.width_mm, ID1.height_mm])
CORNERS = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * HALF


def leaning(degrees, along=(1.0, 0.0)):
    angle = np.radians(degrees)
    return np.array([*(np.sin(angle) * np.array(along)), np.cos(angle)])


def view_from(toward, distance=420.0):
    over = View(LENS, np.array([np.pi, 0.0, 0.0]), np.array([0.0, 0.0, 400.0]), np.zeros((11, 11)))
    return moved_view(over, MIDDLE, toward, distance)


def card(view, bias_sd=0.1):
    points, sides = [], []
    for side, normal in enumerate(SIDE_NORMALS):
        t = np.linspace(-0.85, 0.85, 40)[:, None]
        points.append(HALF * (normal + t * normal[::-1]))
        sides.append(np.full(40, side))
    flat = np.column_stack([np.vstack(points), np.zeros(160)])
    return SideSight(
        size_mm=2.0 * HALF,
        size_sd_mm=np.array([ID1.width_sd_mm, ID1.height_sd_mm]),
        thickness_mm=ID1.thickness_mm,
        points_px=view.to_pixels(flat),
        side=np.concatenate(sides),
        sd_px=np.full(160, 0.1),
        bias_px=np.zeros(4),
        bias_sd_px=np.full(4, bias_sd),
        corners_px=view.to_pixels(np.column_stack([CORNERS, np.zeros(4)])),
    )


def seen_from(tilt, **options):
    view = view_from(leaning(tilt))
    sight = card(view, **options)
    return Seen(view, sight, LENS, (ID1.width_mm, ID1.height_mm), None, ID1.thickness_mm)


def test_contacts_are_those_of_the_exact_inversion():
    camera = np.array([30.0, -40.0, 400.0])
    direction = np.array([0.99, 0.1, 0.02])
    piece = ModelPiece(np.array([-90.0, 40.0, 25.0]), direction / np.linalg.norm(direction),
                       25.0, 180.0, 6.0)  # fmt: skip
    z = np.linspace(1.0, 179.0, 60)
    for side in (0, 1):
        rays = side_points(piece, z, camera)[side] - camera
        ahead = side_points(piece, z + 1e-5, camera)[side] - camera
        ours = contacts(rays, ahead, camera, piece.point_mm, piece.direction)
        theirs = contact_points(camera, rays, ahead, Axis(piece.point_mm, piece.direction))
        assert np.allclose(ours[0], theirs[0], atol=1e-9)
        assert np.allclose(ours[1], theirs[1], atol=1e-9)
        assert np.allclose(ours[0], z, atol=1e-4)
        assert np.allclose(ours[1], piece.radius(z), atol=1e-6)


def test_the_priors_are_those_of_a_trace():
    knowledge = fit.Knowledge()
    assert knowledge.contact_sd_mm == module.CONTACT_SD_MM
    assert setting.PLANE_SD_MM == module.PLANE_SD_MM
    assert setting.HEIGHT_SD_MM == module.HEIGHT_SD_MM
    assert setting.UPRIGHT_SD_RAD == module.UPRIGHT_SD_RAD
    assert rimbias.RIM_BIAS_SD_PX == module.RIM_BIAS_SD_PX
    assert sidepairs.PAIR_FLOOR_PX == module.PAIR_FLOOR_PX


def test_the_board_that_is_advised_is_as_well_known_as_a_measured_one():
    from calib.photochange import BOARD_SCALE_SD

    assert scale_of(BarReading(100.0, 100.0, 0.15)).sd_x == pytest.approx(BOARD_SCALE_SD, rel=0.03)


def test_with_everything_known_only_rim_and_noise_are_left():
    # Two rims, each off by a common bias: sqrt(2) of it on the diameter, in quadrature
    # with the local noise of two sides (closed form, JCGM 100 5.1.2).
    view = view_from(leaning(0.0))
    lens = LENS
    tight = calibrated_like(lens)
    tight = type(tight)(
        tight.focal_px, tight.centre_px, 0.0, 0.0, SIZE, np.diag(np.full(5, 1e-12)), "calibrated"
    )
    sight = card(view, bias_sd=1e-6)
    sight = type(sight)(
        sight.size_mm, np.full(2, 1e-6), sight.thickness_mm, sight.points_px, sight.side,
        np.full(160, 1e-6), sight.bias_px, sight.bias_sd_px, sight.corners_px,
    )  # fmt: skip
    piece = ModelPiece(np.array([-90.0, 60.0, 24.24]), np.array([1.0, 0.0, 0.0]), 25.0, 180.0)
    gives = expected(view, sight, tight, piece, "bench")
    scale = np.linalg.norm(piece.at(np.array([90.0]))[0] - view.camera_centre_mm) / lens.focal_px
    # The bench fixes the height and the comparison of both sides the place across; the height is
    # itself tied to the radius, and so are both biases: their mean cannot be seen.
    rims = 1.96 * np.sqrt(2.0) * module.RIM_BIAS_SD_PX * scale
    assert gives.common_mm == pytest.approx(rims, rel=0.15)
    local = 1.96 * np.sqrt(2.0) * module.LOCAL_PX * scale
    assert gives.u95_mm == pytest.approx(np.hypot(gives.common_mm, local), rel=0.03)


def test_tilt_and_a_known_lens_gain_as_the_bounds_say():
    # Bounds computed for a 60 mm spindle of 180 mm length, 420 mm away, edges ideal: worst 0.25 mm
    # at 8 degrees, 0.11 at 25, 0.14 with a calibrated lens. The model is another piece than
    # theirs, so only the order and the factor of about 2 are held.
    asked = Asked("bench", 60.0, 180.0)

    def u95(tilt, known=False):
        seen = seen_from(tilt, bias_sd=0.02)
        lens = calibrated_like(LENS) if known else LENS
        return expected(seen.view, seen.sight, lens, placed(seen, asked), "bench").common_mm

    flat, tilted, known = u95(8.0), u95(25.0), u95(8.0, known=True)
    assert 0.12 < flat < 0.50
    assert tilted < 0.75 * flat
    assert known < 0.75 * flat


def test_the_gain_of_a_change_is_that_of_the_changed_photo():
    asked = Asked("bench", 50.0, 160.0)
    seen = seen_from(4.0)
    piece = placed(seen, asked)
    found = {change.code: change for change in changes(seen, asked, piece, True)}
    assert {"tilt", "calibrate-lens", "printed-board"} <= set(found)
    now = expected(seen.view, seen.sight, LENS, piece, "bench")
    assert found["tilt"].gives.coved.u95_mm < now.u95_mm
    known = expected(seen.view, seen.sight, calibrated_like(LENS), piece, "bench")
    assert found["calibrate-lens"].gives.coved.u95_mm == pytest.approx(known.u95_mm)


def test_a_tilted_photo_is_not_told_to_tilt():
    asked = Asked("bench", 50.0, 160.0)
    seen = seen_from(24.0)
    codes = {change.code for change in changes(seen, asked, placed(seen, asked), True)}
    assert "tilt" not in codes


@pytest.mark.parametrize("tilt", [55.0, 65.0, 75.0])
def test_what_would_show_less_of_the_piece_is_not_advised(tilt):
    """So flat over the board the phone sees no side of a cove: other advice stays."""
    seen = seen_from(tilt)
    asked = Asked("bench", 60.0, 180.0)
    found = changes(seen, asked, placed(seen, asked), True)
    assert "calibrate-lens" in [change.code for change in found]


def test_a_moved_view_looks_at_the_middle_from_where_it_was_put():
    toward = leaning(22.0, (0.6, 0.8))
    view = view_from(toward, 350.0)
    assert np.allclose(view.camera_centre_mm, MIDDLE + 350.0 * toward)
    assert np.degrees(tilt_of(view)[0]) == pytest.approx(22.0)
    assert np.allclose(view.to_pixels(MIDDLE[None])[0], LENS.centre_px)


def test_the_least_distance_just_holds_the_scene():
    view = view_from(leaning(10.0))
    points = np.array([[-100.0, 0.0, 0.0], [100.0, 0.0, 0.0], [0.0, 60.0, 30.0]])
    scene = Scene(points)
    least = framed_distance(view, scene, leaning(10.0))
    pixels = moved_view(view, scene.middle_mm, leaning(10.0), least).to_pixels(points)
    room = np.minimum(pixels, np.array(SIZE) - pixels) / np.array(SIZE)
    assert room.min() == pytest.approx(0.04, abs=0.002)


def test_a_moved_sight_leads_to_the_moved_view():
    view, there = view_from(leaning(5.0)), view_from(leaning(22.0), 380.0)
    moved = moved_sight(card(view), view, there)
    found, _ = fit_view(moved, LENS)
    assert np.allclose(found.camera_centre_mm, there.camera_centre_mm, atol=0.05)


def test_a_piece_that_fits_the_window_lies_in_it():
    board = BOARDS["a4"]
    view = view_from(leaning(5.0))
    seen = Seen(view, card(view), LENS, board.size_mm, board.window_mm, board.thickness_mm)
    piece = placed(seen, Asked("bench", 40.0, 200.0))
    ends = piece.at(np.array([0.0, 200.0]))
    assert np.all(np.abs(ends[:, 0]) < 0.5 * board.window_mm[0])
    assert np.allclose(ends[:, 2], 20.0)


def test_a_piece_lies_clear_of_the_card():
    piece = placed(seen_from(6.0), Asked("bench", 40.0, 150.0))
    across = np.array([-piece.direction[1], piece.direction[0]])
    apart = np.abs((CORNERS - piece.point_mm[:2]) @ across)
    assert apart.min() > 20.0 + 14.9


def test_a_piece_as_high_as_the_phone_is_misuse():
    with pytest.raises(ValueError, match="outline"):
        placed(seen_from(6.0), Asked("bench", 700.0, 800.0))
