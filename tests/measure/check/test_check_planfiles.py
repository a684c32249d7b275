"""Plans from every kind of file, with ezdxf and svgelements as writers or readers of their own."""

import cv2
import ezdxf
import numpy as np
import pytest
import svgelements
from checkpieces import Noise, measured_copy, mill_diameter, mill_plan, rows_with_shoulders
from ezdxf import units as dxf_units

from calib.refusal import BadFileError
from measure.planfile import read_plan
from measure.plantoml import parse_datum
from measure.profilefile import rows_csv
from measure.tolerances import parse_tolerance

Z, D = rows_with_shoulders(mill_diameter)
Z0 = np.linspace(0.5, 179.5, 700)


EXACT = mill_plan()


def off(plan, z=Z0):
    """Largest difference from the drawn mill, mm, 0.05 mm about its shoulders left out."""
    near = (np.abs(z - 12.0) < 0.05) | (np.abs(z - 150.0) < 0.05)
    return float(np.max(np.abs(plan.at(z) - EXACT.at(z))[~near]))


def half_points(scale=1.0, along="x"):
    """The outline of one half, end faces down to the axis."""
    pts = np.column_stack(
        [np.concatenate([[0.0], Z, [180.0]]), np.concatenate([[0.0], D, [0.0]]) / 2]
    )
    pts = pts / scale
    return pts if along == "x" else pts[:, ::-1]


def dxf(tmp_path, draw, units=dxf_units.MM):
    document = ezdxf.new(setup=True)
    document.units = units
    draw(document.modelspace(), document)
    path = tmp_path / "plan.dxf"
    document.saveas(path)
    return path


def refused(path, **options):
    with pytest.raises(BadFileError) as caught:
        read_plan(path, **options)
    assert "\n" not in caught.value.notice.message
    return caught.value.notice


# --- CSV -------------------------------------------------------------------------------------


def test_csv_with_tolerances_and_shoulder(tmp_path):
    path = tmp_path / "p.csv"
    path.write_text("z_mm,diameter_mm,proud_mm,shy_mm\n0,40,,\n10,40,0.1,0.2\n10,30,,\n60,30,,\n")
    plan = read_plan(path)
    assert plan.at(np.array([9.999, 10.0, 30.0])).tolist() == pytest.approx([40.0, 30.0, 30.0])
    assert plan.at(np.array([10.0]), after_shoulder=False)[0] == 40.0
    assert np.nansum(plan.proud_mm) == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("text", "units"),
    [
        ("z_in,diameter_in\n0,2\n4,1.5\n", None),
        ("z,diameter\n0,2\n4,1.5\n", "inch"),
        ("z_mm,diameter_mm\n0,2\n4,1.5\n", "inch"),  # what the turner says wins
        ("z_mm;diameter_mm\n0;50,8\n101,6;38,1\n", None),
        ("diameter_cm,z,diameter\n0,0,5.08\n0,10.16,3.81\n", "cm"),
    ],
)
def test_units_and_separators(tmp_path, text, units):
    path = tmp_path / "p.csv"
    path.write_text(text)
    plan = read_plan(path, units)
    assert plan.length_mm == pytest.approx(101.6)
    assert plan.diameter_mm.tolist() == pytest.approx([50.8, 38.1])


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("z_mm,diameter_mm\n0,30\n20,30\n10,30\n", "plan-order"),
        ("z_mm,diameter_mm\n0,30\n10,30\n10,25\n10,20\n30,20\n", "plan-order"),
        ("z_mm,diameter_mm\n0,30\n10,-5\n20,30\n", "plan-values"),
        ("z_mm,diameter_mm\n0,30\n10,\n20,30\n", "plan-values"),
        ("z_mm,diameter_mm\n0,30\n10,thick\n20,30\n", "plan-values"),
        ("z_mm,diameter_mm\n0,30\n10,nan\n20,30\n", "plan-values"),
        ("z_mm,diameter_mm\n0,30\n10,99999\n20,30\n", "plan-values"),
        ("z_mm,diameter_mm\n0,0\n10,0\n", "plan-values"),
        ("z_mm,diameter_mm,proud_mm\n0,30,-1\n10,30,0.1\n", "plan-values"),
        ("z_mm,diameter_mm\n0,30\n", "plan-short"),
        ("z_mm,diameter_mm\n0,30\n0.2,30\n", "plan-short"),
        ("z_mm,diameter_mm\n", "plan-short"),
        ("", "plan-unreadable"),
        ("length,width\n1,2\n", "plan-columns"),
        ("z,diameter\n0,30\n90,30\n", "plan-units"),
        ("z_mm,diameter_in\n0,30\n90,30\n", "plan-units"),
    ],
)
def test_bad_tables(tmp_path, text, code):
    path = tmp_path / "p.csv"
    path.write_text(text)
    assert refused(path).code == code


def test_a_bad_value_is_named_by_its_row(tmp_path):
    path = tmp_path / "p.csv"
    path.write_text("z_mm,diameter_mm\n0,30\n10,-5\n20,30\n")
    assert "row 2" in refused(path).message


def test_binary_and_missing_and_unknown_files(tmp_path):
    (tmp_path / "p.csv").write_bytes(b"\xff\xfe\x00\x80\x81")
    assert refused(tmp_path / "p.csv").code == "plan-unreadable"
    assert refused(tmp_path / "none.csv").code == "no-plan"
    (tmp_path / "p.stl").write_text("solid")
    assert refused(tmp_path / "p.stl").code == "plan-kind"
    cv2.imwrite(str(tmp_path / "p.jpg"), np.zeros((8, 8), np.uint8))
    photo = refused(tmp_path / "p.jpg")
    assert photo.code == "plan-kind"
    assert f"measure drawing {tmp_path / 'p.jpg'} " in photo.advice
    (tmp_path / "empty").mkdir()
    assert refused(tmp_path / "empty").code == "no-profile"


# --- an earlier trace ------------------------------------------------------------------------


def test_trace_as_plan_keeps_its_uncertainty(tmp_path):
    piece = measured_copy(Z, D, Noise(), None)
    (tmp_path / "profile.csv").write_bytes(rows_csv(piece.profile))
    for path in (tmp_path, tmp_path / "profile.csv"):
        plan = read_plan(path)
        assert plan.source == "trace"
        assert off(plan) < 0.01
        assert np.all(plan.u95_at(Z0)[0] > 0.05)


def test_station_list_is_too_sparse(tmp_path):
    path = tmp_path / "stations.csv"
    path.write_text(
        "z_mm,diameter_mm,u95_mm,u95_common_mm\n"
        + "".join(f"{z},30,0.1,0.05\n" for z in range(0, 100, 5))
    )
    assert refused(path).code == "plan-sparse"


# --- DXF -------------------------------------------------------------------------------------


def closed_half(space, _, points=None):
    space.add_lwpolyline(half_points() if points is None else points, close=True)


@pytest.mark.parametrize(
    ("units", "scale"), [(dxf_units.MM, 1.0), (dxf_units.IN, 25.4), (dxf_units.CM, 10.0)]
)
def test_dxf_half_outline_in_any_unit(tmp_path, units, scale):
    path = dxf(tmp_path, lambda s, d: closed_half(s, d, half_points(scale)), units)
    plan = read_plan(path)
    assert plan.length_mm == pytest.approx(180.0, abs=1e-6)
    assert off(plan) < 0.01
    assert plan.notes == ("Read as a half outline.",)
    assert float(plan.at(np.array([12.0]), False)[0]) == pytest.approx(56.0, abs=1e-6)


def test_dxf_upright_drawing(tmp_path):
    path = dxf(tmp_path, lambda s, d: closed_half(s, d, half_points(along="y")))
    assert off(read_plan(path)) < 0.01


def test_dxf_open_half_outline_over_y_0_as_loose_lines(tmp_path):
    def draw(space, _):
        points = half_points()[1:-1] + np.array([35.0, 0.0])
        order = np.random.default_rng(0).permutation(len(points) - 1)
        for k in order:  # as drawing programs leave them: in any order
            space.add_line(points[k], points[k + 1])
        space.add_line((30.0, 0.0), (220.0, 0.0), dxfattribs={"layer": "CENTRE"})
        space.add_text("pepper mill", dxfattribs={"height": 5.0})
        space.add_circle((300.0, 300.0), 2.0)

    assert off(read_plan(dxf(tmp_path, draw))) < 0.01


def test_dxf_full_outline_away_from_the_origin_and_turned_by_a_block(tmp_path):
    def draw(space, document):
        block = document.blocks.new("MILL")
        half = half_points()
        ring = np.vstack([half, (half * (1.0, -1.0))[::-1][1:-1]])
        block.add_lwpolyline(ring, close=True)
        space.add_blockref("MILL", (500.0, 40.0), dxfattribs={"rotation": 90.0})

    plan = read_plan(dxf(tmp_path, draw))
    assert plan.notes == ("Read as a full outline.",)
    assert off(plan) < 0.01


def test_dxf_full_outline_that_is_lopsided_is_averaged_and_said(tmp_path):
    def draw(space, _):
        half = half_points()
        other = half * (1.0, -1.0)
        other[1:-1, 1] -= 0.4
        ring = np.vstack([half, other[::-1][1:-1]])
        space.add_lwpolyline(ring, close=True)
        space.add_line((0.0, 0.0), (180.0, 0.0), dxfattribs={"linetype": "CENTER"})

    plan = read_plan(dxf(tmp_path, draw))
    assert np.median(plan.at(Z0) - mill_diameter(Z0)) == pytest.approx(0.4, abs=0.01)
    assert "differ by up to 0.40 mm" in plan.notes[1]


def test_dxf_arcs_and_splines(tmp_path):
    """A ball 40 mm thick on a 20 mm rod: one arc; then a spline through a sine."""

    def draw(space, _):
        reach = np.sqrt(400.0 - 100.0)
        angle = np.degrees(np.arcsin(10.0 / 20.0))
        space.add_line((0.0, 10.0), (50.0 - reach, 10.0))
        space.add_arc((50.0, 0.0), 20.0, angle, 180.0 - angle)
        space.add_line((50.0 + reach, 10.0), (100.0, 10.0))
        z = np.linspace(100.0, 160.0, 40)
        space.add_spline([(a, 10.0 + 2.0 * np.sin((a - 100.0) / 10.0), 0.0) for a in z])

    plan = read_plan(dxf(tmp_path, draw))
    z = np.linspace(34.0, 66.0, 200)
    assert np.max(np.abs(plan.at(z) - 2.0 * np.sqrt(400.0 - (z - 50.0) ** 2))) < 0.02
    z = np.linspace(103.0, 157.0, 100)
    assert np.max(np.abs(plan.at(z) - 20.0 - 4.0 * np.sin((z - 100.0) / 10.0))) < 0.02


def test_dxf_that_cannot_be_a_plan(tmp_path):
    assert refused(dxf(tmp_path, lambda s, d: s.add_text("hello"))).code == "plan-no-outline"

    def two(space, _):
        closed_half(space, None)
        space.add_lwpolyline(
            half_points() + np.array([0.0, 200.0]), close=True, dxfattribs={"layer": "cap"}
        )

    assert refused(dxf(tmp_path, two)).code == "plan-several-outlines"
    assert off(read_plan(tmp_path / "plan.dxf", layer="0")) < 0.01

    def undercut(space, _):
        space.add_lwpolyline([(0, 20), (50, 20), (45, 12), (90, 12), (90, 0), (0, 0)], close=True)

    assert refused(dxf(tmp_path, undercut)).code == "plan-undercut"

    def across(space, _):
        space.add_lwpolyline([(0, -5), (50, 10), (100, 8)])

    assert refused(dxf(tmp_path, across)).code == "plan-no-axis"
    closed = lambda s, d: closed_half(s, d, half_points() + np.array([0.0, 50.0]))
    assert refused(dxf(tmp_path, closed)).code == "plan-no-axis"
    path = dxf(tmp_path, closed_half, dxf_units.M * 0)
    assert refused(path).code == "plan-units"
    assert off(read_plan(path, "mm")) < 0.01
    path.write_text("not a drawing\n" * 10)
    assert refused(path).code == "plan-unreadable"


def test_rectangle_could_be_half_of_one_or_all_of_another(tmp_path):
    def draw(space, _):
        space.add_lwpolyline([(0, 0), (100, 0), (100, 20), (0, 20)], close=True)

    assert refused(dxf(tmp_path, draw)).code == "plan-no-axis"


# --- SVG -------------------------------------------------------------------------------------


def svg(tmp_path, body, head='width="200mm" height="80mm" viewBox="0 0 200 80"'):
    path = tmp_path / "plan.svg"
    path.write_text(f'<svg xmlns="http://www.w3.org/2000/svg" {head}>{body}</svg>')
    return path


def full_ring(cx=10.0, cy=40.0):
    half = half_points()
    ring = np.vstack([half, (half * (1.0, -1.0))[::-1][1:-1]]) + np.array([cx, cy])
    return " ".join(f"{x:.4f},{y:.4f}" for x, y in ring)


@pytest.mark.parametrize(
    ("head", "factor"),
    [
        ('width="200mm" height="80mm" viewBox="0 0 200 80"', 1.0),
        ('width="400mm" height="160mm" viewBox="0 0 200 80"', 2.0),
        ('width="2in" height="0.8in" viewBox="0 0 200 80"', 0.254),
        ('width="20cm" height="8cm" viewBox="0 0 200 80"', 1.0),
    ],
)
def test_svg_size_and_view_box(tmp_path, head, factor):
    plan = read_plan(svg(tmp_path, f'<polygon points="{full_ring()}"/>', head))
    assert plan.length_mm == pytest.approx(180.0 * factor, rel=1e-4)
    assert np.max(plan.diameter_mm) == pytest.approx(56.0 * factor, rel=1e-4)


def test_svg_transforms_are_honoured(tmp_path):
    body = (
        '<g transform="translate(15 60) rotate(-90) scale(0.5)">'
        f'<g transform="scale(0.5)"><polygon points="{full_ring(0.0, 0.0)}"/></g></g>'
        '<text x="5" y="5">dimension</text>'
    )
    plan = read_plan(svg(tmp_path, body))
    assert plan.length_mm == pytest.approx(45.0, rel=1e-4)
    z = np.linspace(0.5, 44.5, 300)
    clear = (np.abs(z - 3.0) > 0.05) & (np.abs(z - 37.5) > 0.05)
    got = plan.at(z) * 4.0
    flipped_got = plan.at(45.0 - z) * 4.0
    best = min(np.max(np.abs(g - EXACT.at(4.0 * z))[clear]) for g in (got, flipped_got))
    assert best < 0.02


def test_svg_without_units_asks_and_takes_an_answer(tmp_path):
    for head in ("", 'width="200" height="80"', 'viewBox="0 0 200 80"', 'width="100%"'):
        path = svg(tmp_path, f'<polygon points="{full_ring()}"/>', head)
        assert refused(path).code == "plan-units"
    for head in ('width="200" height="80"', 'width="200" height="80" viewBox="0 0 200 80"',
                 'width="600" height="240" viewBox="0 0 200 80"'):  # fmt: skip
        path = svg(tmp_path, f'<polygon points="{full_ring()}"/>', head)
        assert off(read_plan(path, "mm")) < 0.05


def test_svg_curves_against_the_librarys_own_points(tmp_path):
    path_data = "M 10 40 L 10 20 C 60 5, 90 35, 120 18 Q 150 5 190 22 L 190 40"
    centre = '<line id="axis" x1="5" y1="40" x2="195" y2="40"/>'
    plan = read_plan(svg(tmp_path, f'<path d="{path_data}"/>{centre}'))
    oracle = svgelements.Path(path_data)
    for t in np.linspace(0.05, 0.95, 60):
        for segment in (oracle[2], oracle[3]):
            point = segment.point(t)
            z = np.array([point.x - 10.0])
            assert float(plan.at(z)[0]) == pytest.approx(2.0 * (40.0 - point.y), abs=0.02)


def test_svg_round_trip_of_our_plan_through_both_libraries(tmp_path):
    plan = mill_plan()
    ring = svg(tmp_path, f'<polygon points="{full_ring()}"/>')
    again = read_plan(ring)
    assert off(again) < 0.02
    shapes = [e for e in svgelements.SVG.parse(str(ring)).elements()
              if isinstance(e, svgelements.Polygon)]  # fmt: skip
    box = shapes[0].bbox()
    assert (box[2] - box[0]) * 25.4 / 96.0 == pytest.approx(plan.length_mm, rel=1e-4)


def test_svg_that_is_none(tmp_path):
    path = tmp_path / "plan.svg"
    for text in ("", "<html></html>", "<svg", "plain words", "<svg xmlns='x'><path d='M'/></svg>"):
        path.write_text(text)
        assert refused(path, units="mm").code in ("plan-unreadable", "plan-no-outline")


# --- TOML ------------------------------------------------------------------------------------


def toml(tmp_path, text):
    path = tmp_path / "plan.toml"
    path.write_text(text)
    return path


def test_toml_with_everything(tmp_path):
    (tmp_path / "mill.csv").write_text("z_mm,diameter_mm\n0,40\n60,40\n60,30\n90,30\n")
    plan = read_plan(
        toml(
            tmp_path,
            """
            name = "Body"
            profile = "mill.csv"
            tolerance = [0.3, 0.1]
            datum = 60.0
            judge = [5.0, 80.0]
            [[zone]]
            name = "tenon"
            from = 60.0
            to = 90.0
            proud = 0.05
            shy = 0.15
            """,
        )
    )
    assert (plan.name, plan.datum, plan.general) == ("Body", 60.0, (0.3, 0.1))
    z = np.array([2.0, 30.0, 70.0, 85.0])
    assert plan.judged_at(z).tolist() == [False, True, True, False]
    proud, shy = plan.tolerance_at(z)
    assert proud.tolist() == [0.3, 0.3, 0.05, 0.05]
    assert shy.tolist() == [0.1, 0.1, 0.15, 0.15]


def test_toml_rows_in_inches(tmp_path):
    plan = read_plan(toml(tmp_path, 'rows = [[0, 2], [4, 1.5]]\nunits = "inch"\n'))
    assert plan.length_mm == pytest.approx(101.6)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("name = ", "plan-file"),
        ('name = "x"', "plan-file"),
        ('rows = [[0,30],[50,30]]\nprofile = "a.csv"', "plan-file"),
        ("rows = [[0,30],[50,30]]\ntolerence = 0.2", "plan-file"),
        ("rows = [[0,30],[50,30]]\n[[zone]]\nfrom = 5", "plan-file"),
        ("rows = [[0,30],[50,30]]\n[[zone]]\nfrom = 5\nto = 2", "plan-file"),
        ("rows = [[0,30],[50,30]]\n[[zone]]\nfrom = 0\nto = 2\nproud = -1", "plan-file"),
        ("rows = [[0,30],[50,30]]\n[[zone]]\nfrom = 0\nto = 2\nproud = true", "plan-file"),
        ("rows = [[0,30],[50,30]]\njudge = [9]", "plan-file"),
        ("rows = [[0,30],[50,30]]\nzone = 5", "plan-file"),
        ('rows = [[0,30],[50,30]]\ntolerance = "q"', "tolerance"),
        ('rows = [[0,30],[50,30]]\ndatum = "middle"', "datum"),
        ('rows = [[0,30],[50,30]]\nunits = "ells"', "plan-units"),
        ("rows = [[0,30],[50]]", "plan-file"),
        ("rows = [[50,30],[0,30]]", "plan-order"),
        ('profile = "none.csv"', "no-plan"),
        ('profile = "plan.toml"', "plan-file"),
    ],
)
def test_bad_toml(tmp_path, text, code):
    assert refused(toml(tmp_path, text)).code == code


def test_a_tolerance_with_a_decimal_comma_is_not_taken_for_two():
    """Else 0,3 would allow nothing proud and 3 mm shy."""
    with pytest.raises(BadFileError) as refused:
        parse_tolerance("0,3")
    assert refused.value.notice.advice.startswith("Write 0.3, not 0,3")
    assert parse_tolerance("0.0,3.0") == (0.0, 3.0)
    assert parse_datum("12,5") == 12.5


def test_outlines_of_two_pieces_on_one_centre_line_are_still_several(tmp_path):
    def two(space, document):
        document.layers.add("axis")
        for shift in (0.0, 200.0):
            pts = half_points() + np.array([shift, 0.0])
            space.add_lwpolyline(pts.tolist(), dxfattribs={"layer": "turned"})
        space.add_line((-5, 0), (400, 0), dxfattribs={"layer": "axis"})

    assert refused(dxf(tmp_path, two)).code == "plan-several-outlines"
