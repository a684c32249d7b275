from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression

from measure.drawprofile import profile_svg, spread_out
from measure.units import INCHES
from tests.measure.exact_shapes import ball, cone, gapped_result, profile_of, result_of, stepped

SVG = "{http://www.w3.org/2000/svg}"


def bodies(svg):
    """Return the closed outlines, each (n, 2), in the drawing's units."""
    found = [p for p in ElementTree.fromstring(svg).iter(f"{SVG}polygon") if p.get("fill")]
    return [
        np.array([[float(v) for v in pair.split(",")] for pair in p.get("points").split()])
        for p in found
    ]


def words(svg):
    return ["".join(text.itertext()) for text in ElementTree.fromstring(svg).iter(f"{SVG}text")]


@pytest.mark.parametrize("shape", [cone(), ball(), stepped(), cone(20.0, 180.0, 200.0)])
def test_the_drawing_is_to_one_scale_both_ways(shape):
    (body,) = bodies(profile_svg(result_of(shape)))
    half = len(body) // 2
    upper, lower = body[:half], body[half:][::-1]
    scale = (upper[-1, 0] - upper[0, 0]) / (shape.z_mm[-1] - shape.z_mm[0])
    drawn = (lower[:, 1] - upper[:, 1]) / scale
    np.testing.assert_allclose(drawn, shape.diameter_mm, atol=0.011 / scale)
    np.testing.assert_allclose(
        (upper[:, 0] - upper[0, 0]) / scale, shape.z_mm - shape.z_mm[0], atol=0.011 / scale
    )


def test_a_shoulder_is_drawn_square():
    (body,) = bodies(profile_svg(result_of(stepped())))
    upper = body[: len(body) // 2]
    steps = np.diff(upper, axis=0)
    assert np.count_nonzero((steps[:, 0] == 0.0) & (np.abs(steps[:, 1]) > 1.0)) == 2


def test_a_gap_is_not_drawn_over():
    drawn = bodies(profile_svg(gapped_result()))
    assert len(drawn) == 2
    scale = (drawn[1][:, 0].max() - drawn[0][:, 0].min()) / 100.0
    gap = (drawn[1][:, 0].min() - drawn[0][:, 0].max()) / scale
    assert gap == pytest.approx(12.0, abs=0.01)
    assert "<rect" in profile_svg(gapped_result())


def test_the_length_stands_below_with_its_spread():
    assert "100.0 ±0.25 mm" in words(profile_svg(result_of(cone())))
    assert "3 15/16 in (3.937 ±0.010)" in words(profile_svg(result_of(cone()), INCHES))


def test_a_cut_piece_shows_no_length():
    cut = result_of(cone(), far_end="cut", length_mm=None, length_u95_mm=None)
    said = words(profile_svg(cut))
    assert any("far end is cut off" in line for line in said)
    assert not any("±" in line for line in said)


def test_largest_crests_and_shoulders_are_labelled():
    said = words(profile_svg(result_of(stepped())))
    assert "Ø 40.0 / 25.0 at 30" in said  # the side nearer to z = 0 first
    assert "Ø 25.0 / 52.0 at 50.1" in said
    assert any(line.startswith("Ø 52.0") for line in said)
    assert "Ø 60.0 at 30" in words(profile_svg(result_of(ball())))


def test_labels_do_not_cover_each_other():
    z = np.arange(0.0, 100.25, 0.25)
    wavy = profile_of(z, 40.0 + 3.0 * np.sin(2.0 * np.pi * z / 3.0))
    svg = profile_svg(result_of(wavy))
    places = sorted(
        float(text.get("transform").split("(")[1].split()[0])
        for text in ElementTree.fromstring(svg).iter(f"{SVG}text")
        if text.get("transform")
    )
    assert len(places) > 40
    assert min(np.diff(places)) >= 15.0
    assert places[0] > 0.0
    assert places[-1] < 1000.0


def test_the_photos_name_cannot_break_the_drawing():
    svg = profile_svg(result_of(cone(), photo_name='"><script>a</script>&.jpg'))
    ElementTree.fromstring(svg)
    assert "<script" not in svg


def test_the_drawing_refers_to_nothing_outside():
    svg = profile_svg(gapped_result())
    assert "href" not in svg
    assert "url(" not in svg
    assert svg.count("http") == 1  # the name of the SVG namespace


@given(st.lists(st.floats(0.0, 1000.0), min_size=1, max_size=40), st.floats(0.1, 20.0))
def test_spreading_moves_labels_least_in_squares(places, gap):
    places = sorted(places)
    need = gap * np.arange(len(places))
    # The bounded isotonic regression is the unbounded one, clipped.
    best = np.clip(isotonic_regression(np.array(places) - need).x, 50.0, 950.0 - need[-1]) + need
    np.testing.assert_allclose(spread_out(places, gap, 50.0, 950.0), best, atol=1e-6)


def test_labels_that_do_not_fit_are_misuse():
    with pytest.raises(ValueError, match="do not fit"):
        spread_out([1.0, 2.0, 3.0], 10.0, 0.0, 19.0)
