"""Files for other tools, read back by libraries that did not write them."""

from __future__ import annotations

import io
from itertools import pairwise
from pathlib import Path

import ezdxf
import numpy as np
import pytest
import trimesh
from ezdxf import path as dxf_path
from sheetturnings import baluster, mill, traced
from svgelements import SVG
from svgelements import Path as SvgPath

from calib.refusal import RefusalError
from measure.arcs import arcs_within
from measure.chain import Chain, distance_to_chain
from measure.mechanism import read_mechanism
from measure.outlines import dxf_text, stl_bytes, svg_text
from measure.planfile import read_plan
from measure.profile import Profile
from measure.sheet import Sheet, SheetRequest, make_sheet
from measure.solid import profile_of_plan, turned_round, volume_mm3

NASTY = 'Café <b>"6"</b> & %%c ^J \\P \x00 ]]> 漢\n0\nEOF'


EXAMPLES = Path(__file__).parents[3] / "measure" / "examples"


@pytest.fixture(scope="module", params=["mill", "mill fair", "baluster"])
def sheet(request: pytest.FixtureRequest) -> Sheet:
    turner = baluster() if request.param == "baluster" else mill()
    profile = traced(turner.chain(), np.random.default_rng(1))
    return make_sheet(SheetRequest(NASTY, profile, fair="fair" in request.param))


def off_profile(sheet: Sheet, points: np.ndarray) -> float:
    """Return how far points stray from the sheet's profile and it from them, mm."""
    p = sheet.profile
    rows = np.column_stack([p.z_mm, 0.5 * p.diameter_mm])
    if sheet.stray is not None:
        rows = np.concatenate([chain.points(0.0005) for chain in sheet.chains])
    there = Chain(rows[:, 0], rows[:, 1], np.zeros(len(rows) - 1))
    back = Chain(points[:, 0], points[:, 1], np.zeros(len(points) - 1))
    return max(
        float(np.max(distance_to_chain(there, points[:, 0], points[:, 1]))),
        float(np.max(distance_to_chain(back, rows[:, 0], rows[:, 1]))),
    )


def test_dxf_is_clean_and_within_two_hundredths(sheet: Sheet) -> None:
    document = ezdxf.read(io.StringIO(dxf_text(list(sheet.chains), sheet.name, (), "mm")))
    audit = document.audit()
    assert not audit.errors
    assert not audit.fixes
    assert document.header["$INSUNITS"] == 4
    assert {"outline", "axis", "bores", "notes"} <= {layer.dxf.name for layer in document.layers}
    both = document.modelspace().query('LWPOLYLINE[layer=="outline"]')
    assert len(both) == 2
    for side, line in zip((1.0, -1.0), both, strict=True):
        points = np.array([(p.x, side * p.y) for p in dxf_path.make_path(line).flattening(0.0005)])
        assert off_profile(sheet, points) < 0.02


def test_dxf_has_few_segments_of_a_clean_outline() -> None:
    profile = traced(mill().chain(), np.random.default_rng(0), scatter=0.0, wobble=0.0)
    chain = arcs_within(profile.z_mm, 0.5 * profile.diameter_mm, 0.01)
    # The mill was made of 14 segments; rows at the steep ends of beads need a few more.
    assert len(chain.bulge) < 30
    assert len(profile.z_mm) > 700


def test_svg_within_two_hundredths_at_one_to_one(sheet: Sheet, tmp_path: Path) -> None:
    file = tmp_path / "outline.svg"
    file.write_text(svg_text(list(sheet.chains), sheet.name, ()), encoding="utf-8")
    mm = 96.0 / 25.4
    document = SVG.parse(str(file), ppi=96.0)
    assert document.width / mm == pytest.approx(sheet.length_mm + 20.0, abs=0.01)
    line = next(e for e in document.elements() if isinstance(e, SvgPath))
    xy = np.array(
        [(p.x, p.y) for part in line for p in (part.point(t) for t in np.linspace(0, 1, 60))
         if p is not None]
    ) / mm  # fmt: skip
    points = np.column_stack([xy[:, 0] - 10.0, 0.5 * document.height / mm - xy[:, 1]])
    assert off_profile(sheet, points) < 0.02


@pytest.mark.parametrize("bored", [False, True])
def test_own_plan_reader_reads_both_drawings(tmp_path: Path, bored: bool) -> None:
    profile = traced(mill().chain(), np.random.default_rng(1))
    mechanism = read_mechanism(EXAMPLES / "quay-knob.toml")
    sheet = make_sheet(SheetRequest("mill", profile, mechanism=mechanism, split_mm=135.0))
    assert sheet.section is not None
    bores = sheet.section.bores if bored else ()
    (tmp_path / "a.dxf").write_text(dxf_text(list(sheet.chains), "mill", bores, "mm"))
    (tmp_path / "a.svg").write_text(svg_text(list(sheet.chains), "mill", bores))
    for name in ("a.dxf", "a.svg"):
        back = profile_of_plan(read_plan(tmp_path / name))
        points = np.column_stack([back.z_mm, 0.5 * back.diameter_mm])
        assert off_profile(sheet, points) < 0.03  # its reader's own chords add 0.005


@pytest.mark.parametrize("fair", [False, True])
@pytest.mark.parametrize("kind", ["dxf", "svg"])
def test_own_plan_reader_reads_a_drawing_left_open(tmp_path: Path, kind: str, fair: bool) -> None:
    """A piece seen in part is drawn in stretches: they are one plan, with gaps where it is open."""
    gaps = ((40.0, 52.0), (100.0, 101.0), (160.0, 163.0))
    whole = traced(mill().chain(), np.random.default_rng(1))
    z = whole.z_mm
    keep = np.all([(z <= a) | (z >= b) for a, b in gaps], axis=0)
    seen = Profile(z[keep], whole.diameter_mm[keep], whole.u95_mm[keep], whole.u95_common_mm[keep])
    sheet = make_sheet(SheetRequest("mill", seen, fair=fair))
    assert len(sheet.chains) == 4
    chains, path = list(sheet.chains), tmp_path / f"a.{kind}"
    text = dxf_text(chains, "mill", (), "mm") if kind == "dxf" else svg_text(chains, "mill", ())
    path.write_text(text, encoding="utf-8")
    plan = read_plan(path)
    points = np.column_stack([plan.z_mm + chains[0].z_mm[0], 0.5 * plan.diameter_mm])
    assert off_profile(sheet, points) < 0.03
    start = float(chains[0].z_mm[0])
    at = np.array([0.5 * (a.z_mm[-1] + b.z_mm[0]) for a, b in pairwise(chains)]) - start
    assert np.all(np.isnan(plan.at(at)))
    assert np.all(np.isfinite(plan.at(np.array([20.0, 80.0, 130.0]))))
    assert any("left open in 3 places" in note for note in plan.notes)


@pytest.mark.parametrize("turner", [mill(), baluster()], ids=["mill", "baluster"])
def test_stl_is_closed_and_holds_the_volume(turner: object) -> None:
    profile = traced(turner.chain(), np.random.default_rng(2))
    solid = trimesh.load(io.BytesIO(stl_bytes(profile)), file_type="stl")
    assert solid.is_watertight
    assert solid.is_winding_consistent
    exact = volume_mm3(profile.z_mm, profile.diameter_mm)
    assert solid.volume == pytest.approx(exact, rel=0.002)
    assert solid.volume > 0.0  # faces look outward


def test_volume_of_cone_and_ball() -> None:
    """Cone: pi r² h / 3; ball: 4 pi r³ / 3 (rows 0.01 mm apart)."""
    assert volume_mm3(np.array([0.0, 30.0]), np.array([0.0, 20.0])) == pytest.approx(
        np.pi * 100.0 * 30.0 / 3.0
    )
    z = np.arange(0.0, 20.0001, 0.01)
    d = 2.0 * np.sqrt(np.maximum(100.0 - (z - 10.0) ** 2, 0.0))
    assert volume_mm3(z, d) == pytest.approx(4.0 / 3.0 * np.pi * 1000.0, rel=1e-5)


def test_ball_as_stl_against_its_formula() -> None:
    z = np.arange(0.0, 40.01, 0.25)
    d = 2.0 * np.sqrt(np.maximum(400.0 - (z - 20.0) ** 2, 0.0))
    zero = np.zeros(len(z))
    solid = trimesh.load(io.BytesIO(stl_bytes(Profile(z, d, zero, zero))), file_type="stl")
    assert solid.is_watertight
    assert solid.volume == pytest.approx(4.0 / 3.0 * np.pi * 8000.0, rel=0.002)


def holed(profile: Profile) -> Profile:
    keep = (profile.z_mm <= 40.0) | (profile.z_mm >= 52.0)
    return Profile(
        profile.z_mm[keep], profile.diameter_mm[keep],
        profile.u95_mm[keep], profile.u95_common_mm[keep],
    )  # fmt: skip


def test_gaps_stay_open_in_drawings_and_refuse_a_solid() -> None:
    piece = holed(traced(mill().chain(), np.random.default_rng(2)))
    sheet = make_sheet(SheetRequest("mill", piece))
    assert [(g.z_from_mm, g.z_to_mm) for g in sheet.gaps] == [(40.0, 52.0)]
    assert "profile-gap" in [n.code for n in sheet.notices]
    document = ezdxf.read(io.StringIO(dxf_text(list(sheet.chains), "m", (), "mm")))
    lines = document.modelspace().query('LWPOLYLINE[layer=="outline"]')
    assert len(lines) == 4
    for line in lines:
        xs = [v[0] for v in line.get_points()]
        assert max(xs) <= 40.0 or min(xs) >= 52.0
    with pytest.raises(RefusalError) as caught:
        stl_bytes(piece)
    assert caught.value.notice.code == "gap-in-solid"
    assert sheet.volume_mm3 is None


def test_turned_round_twice_is_as_before() -> None:
    p = traced(mill().chain(), np.random.default_rng(2))
    q = turned_round(turned_round(p))
    np.testing.assert_allclose(q.z_mm, p.z_mm, atol=1e-9)
    np.testing.assert_array_equal(q.diameter_mm, p.diameter_mm)
    assert turned_round(p).diameter_mm[0] == p.diameter_mm[-1]
