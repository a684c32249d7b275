"""`measure sheet` from the command line: what it writes, says, and refuses."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import ezdxf
import numpy as np
import pytest
from pypdf import PdfReader
from sheetturnings import mill, traced

from calib.refusal import RefusalError
from measure.profile import Profile
from measure.profilefile import rows_csv
from measure.sheetjob import SheetAsked, run_sheet

TOP = Path(__file__).parents[3]
EXAMPLES, SAMPLES = TOP / "measure" / "examples", TOP / "sample_images"


@pytest.fixture
def piece(tmp_path: Path) -> Path:
    file = tmp_path / "mill.csv"
    file.write_bytes(rows_csv(traced(mill().chain(), np.random.default_rng(1))))
    return file


def refused(asked: SheetAsked) -> tuple[str, int]:
    """Return code and exit status of the refusal; nothing may have been written."""
    before = {p: p.read_bytes() for p in asked.piece.parent.rglob("*") if p.is_file()}
    with pytest.raises(RefusalError) as caught:
        run_sheet(asked)
    after = {p: p.read_bytes() for p in asked.piece.parent.rglob("*") if p.is_file()}
    assert after == before
    assert caught.value.notice.advice
    return caught.value.notice.code, caught.value.exit_status


def test_writes_everything_that_was_asked_for(piece: Path) -> None:
    folder = piece.parent
    outcome = run_sheet(
        SheetAsked(
            piece, mechanism=EXAMPLES / "quay-knob.toml", split=135.0, fair=True, wood="maple",
            plank="2000x200x80", dxf=folder / "o.dxf", svg=folder / "o.svg",
            csv=folder / "o.csv", stl=folder / "o.stl",
        )
    )  # fmt: skip
    assert (folder / "mill-sheet.pdf").read_bytes().startswith(b"%PDF")
    for name in ("o.dxf", "o.svg", "o.csv", "o.stl"):
        assert (folder / name).stat().st_size > 500
    data = json.loads(json.dumps(outcome.data, allow_nan=False))
    assert data["kind"] == "sheet"
    assert data["max_diameter_mm"] == pytest.approx(64.0, abs=0.3)
    assert data["shaft_cut_mm"] == pytest.approx(187.0, abs=0.1)
    assert [b["part"] for b in data["blanks"]] == ["body", "cap", "both in one length"]
    assert data["plank_count"] > 0
    assert {"bead", "cove", "fillet"} <= {f["kind"] for f in data["features"]}
    assert "Wrote" in outcome.text


def test_foot_at_the_far_end_turns_the_piece_round(piece: Path) -> None:
    start = run_sheet(SheetAsked(piece)).data
    end = run_sheet(SheetAsked(piece, foot="end")).data
    assert end["settings"][0]["diameter_mm"] == pytest.approx(
        start["settings"][-1]["diameter_mm"], abs=0.2
    )
    assert end["length_mm"] == pytest.approx(start["length_mm"])


def test_stated_length_allowance_is_kept(piece: Path) -> None:
    blank = run_sheet(SheetAsked(piece, allow_length=20.0)).data["blanks"][0]
    assert blank["length_mm"] == 200.0


def test_plan_of_corners_works_too(tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text("z_mm,diameter_mm\n0,30\n10,30\n10,42\n80,36\n120,36\n")
    data = run_sheet(SheetAsked(plan)).data
    assert [f["kind"] for f in data["features"]] == ["tenon", "shoulder", "taper", "cylinder"]
    assert data["features"][2]["diameter_to_mm"] == pytest.approx(36.0, abs=0.01)


def test_profile_of_one_point(piece: Path) -> None:
    piece.write_text("z_mm,diameter_mm,u95_mm,u95_common_mm\n5,40,0.1,0.05\n")
    assert refused(SheetAsked(piece))[1] in (2, 3)


@pytest.mark.parametrize(
    "rows",
    [
        "0,40,0.1,0.05\n1,40,0.1,0.05\n0.5,40,0.1,0.05\n",  # z goes back
        "0,1.5,0.004,0.002\n3,2,0.004,0.002\n7,1.2,0.004,0.002\n",  # inches
        "0,forty,0.1,0.05\n1,40,0.1,0.05\n",
        "0,-40,0.1,0.05\n1,40,0.1,0.05\n",
        "",
    ],
)
def test_spoilt_profiles(piece: Path, rows: str) -> None:
    piece.write_text("z_mm,diameter_mm,u95_mm,u95_common_mm\n" + rows)
    assert refused(SheetAsked(piece))[1] in (2, 3)


@pytest.mark.parametrize("first_in_inches", [False, True])
def test_rows_in_two_units_are_refused_with_the_place(piece: Path, first_in_inches: bool) -> None:
    p = traced(mill().chain(), np.random.default_rng(1))
    inches = (p.z_mm < 91.5) == first_in_inches
    d = np.where(inches, p.diameter_mm / 25.4, p.diameter_mm)
    piece.write_bytes(rows_csv(Profile(p.z_mm, d, p.u95_mm, p.u95_common_mm)))
    with pytest.raises(RefusalError, match=r"at 91\.25 mm") as caught:
        run_sheet(SheetAsked(piece))
    assert caught.value.notice.code == "profile-inches"


def test_diameters_alone_in_inches_are_asked_about(piece: Path) -> None:
    p = traced(mill().chain(), np.random.default_rng(1))
    said = []
    for d in (p.diameter_mm / 25.4, p.diameter_mm):
        piece.write_bytes(rows_csv(Profile(p.z_mm, d, p.u95_mm, p.u95_common_mm)))
        said.append([n.code for n in run_sheet(SheetAsked(piece)).notices])
    assert "thin-piece" in said[0]
    assert "thin-piece" not in said[1]


def test_a_plan_that_looks_like_inches_asks_for_its_units(tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text("z_mm,diameter_mm\n0,2.28\n1.57,1.81\n6.3,1.5\n8.25,0.9\n")
    with pytest.raises(RefusalError) as caught:
        run_sheet(SheetAsked(plan, out=tmp_path / "s.pdf"))
    assert caught.value.notice.code == "plan-units"
    told = run_sheet(SheetAsked(plan, out=tmp_path / "s.pdf", plan_units="inch"))
    assert "209.5 mm long" in told.text


def test_rows_too_far_apart_are_no_outline(piece: Path) -> None:
    lines = piece.read_text().splitlines()
    piece.write_text("\n".join([lines[0], *lines[1::20]]))
    assert refused(SheetAsked(piece))[1] in (2, 3)


def test_gap_is_named(piece: Path) -> None:
    p = traced(mill().chain(), np.random.default_rng(1))
    keep = (p.z_mm < 40.0) | (p.z_mm > 52.0)
    piece.write_bytes(
        rows_csv(Profile(p.z_mm[keep], p.diameter_mm[keep], p.u95_mm[keep], p.u95_common_mm[keep]))
    )
    outcome = run_sheet(SheetAsked(piece))
    assert "profile-gap" in [n.code for n in outcome.notices]
    (gap,) = outcome.data["gaps"]
    assert (gap["z_from_mm"], gap["z_to_mm"]) == (39.75, 52.25)


def test_solid_that_cannot_be_made_holds_nothing_else_back(piece: Path) -> None:
    p = traced(mill().chain(), np.random.default_rng(1))
    keep = (p.z_mm < 40.0) | (p.z_mm > 52.0)
    piece.write_bytes(
        rows_csv(Profile(p.z_mm[keep], p.diameter_mm[keep], p.u95_mm[keep], p.u95_common_mm[keep]))
    )
    there = [piece.parent / f"o.{kind}" for kind in ("dxf", "svg", "csv")]
    dxf, svg, csv = there
    outcome = run_sheet(SheetAsked(piece, stl=piece.parent / "o.stl", dxf=dxf, svg=svg, csv=csv))
    assert not (piece.parent / "o.stl").exists()
    for path in (piece.parent / "mill-sheet.pdf", *there):
        assert path.stat().st_size > 500
        assert str(path) in outcome.data["files"]
    assert str(piece.parent / "o.stl") not in outcome.data["files"]
    (note,) = (n for n in outcome.notices if n.code == "gap-in-solid")
    assert note.message.startswith("o.stl was not written")


def as_trace(folder: Path, seen_to_mm: float, length: float | None, u95: float | None) -> Path:
    """Write the mill as a trace does: profile.csv with result.json beside it."""
    p = traced(mill().chain(), np.random.default_rng(1))
    keep = p.z_mm <= seen_to_mm
    rows = Profile(p.z_mm[keep], p.diameter_mm[keep], p.u95_mm[keep], p.u95_common_mm[keep])
    folder.mkdir()
    (folder / "profile.csv").write_bytes(rows_csv(rows))
    facts = {"schema": 1, "kind": "trace", "z_zero": "end", "far_end": "end" if length else "cut",
             "length_mm": length, "length_u95_mm": u95}  # fmt: skip
    (folder / "result.json").write_text(json.dumps(facts))
    return folder


@pytest.mark.parametrize("given", ["", "profile.csv"])
@pytest.mark.parametrize("foot", ["start", "end"])
def test_length_is_that_of_the_trace_though_the_end_was_not_seen(
    tmp_path: Path, given: str, foot: str
) -> None:
    folder = as_trace(tmp_path / "mill", 176.0, 182.6, 4.2)
    outcome = run_sheet(SheetAsked(folder / given, foot=foot, out=tmp_path / "s.pdf"))
    assert (outcome.data["length_mm"], outcome.data["length_u95_mm"]) == (182.6, 4.2)
    (gap,) = outcome.data["gaps"]
    expected = (176.0, 182.6) if foot == "start" else (0.0, 6.6)
    assert (gap["z_from_mm"], gap["z_to_mm"]) == pytest.approx(expected)
    title = PdfReader(tmp_path / "s.pdf").pages[0].extract_text()
    assert "Length 182.6 ±4.20 mm" in title
    assert "not seen to the end" in title


def test_piece_cut_by_the_photo_says_so_beside_its_length(tmp_path: Path) -> None:
    folder = as_trace(tmp_path / "mill", 120.0, None, None)
    run_sheet(SheetAsked(folder, out=tmp_path / "s.pdf"))
    assert "cut off by the photo" in PdfReader(tmp_path / "s.pdf").pages[0].extract_text()


def told_of(folder: Path, **facts: object) -> None:
    file = folder / "result.json"
    file.write_text(json.dumps(json.loads(file.read_text()) | facts))


def test_how_a_trace_was_taken_to_lie_goes_on_to_the_sheet(tmp_path: Path) -> None:
    folder = as_trace(tmp_path / "mill", 120.0, 120.0, 0.2)
    told_of(folder, setup="plane", scale_from="ID-1 card")
    outcome = run_sheet(SheetAsked(folder, out=tmp_path / "s.pdf"))
    assert "Traced as: card held in the plane of the axis. If it was not" in outcome.text
    title = PdfReader(tmp_path / "s.pdf").pages[0].extract_text()
    assert "Traced as: card held in the plane of the axis." in title


def test_what_a_trace_warned_of_all_its_sizes_is_said_again(tmp_path: Path) -> None:
    folder = as_trace(tmp_path / "mill", 120.0, 120.0, 0.2)
    two_ways = {"code": "rest-unsure", "message": "It may rest in two ways.", "advice": "Chock it."}
    light = {"code": "soft-shadow", "message": "The light is soft.", "advice": "Take a lamp."}
    told_of(folder, warnings=[two_ways, light, "damaged"])
    outcome = run_sheet(SheetAsked(folder, out=tmp_path / "s.pdf"))
    assert "It may rest in two ways. Chock it." in outcome.text
    assert "The light is soft." not in outcome.text


def test_a_tool_has_no_making_sheet(tmp_path: Path) -> None:
    folder = as_trace(tmp_path / "borer", 120.0, 120.0, 0.2)
    told_of(folder, kind="cutter")
    assert refused(SheetAsked(folder, out=tmp_path / "s.pdf")) == ("no-profile", 2)
    assert not (tmp_path / "s.pdf").exists()


def test_crank_example_fits_the_mill_of_the_café(tmp_path: Path) -> None:
    truth = json.loads((SAMPLES / "mill_tilted.truth.json").read_text())
    plan = tmp_path / "mill.csv"
    rows = "".join(f"{z},{2.0 * r}\n" for z, r in truth["profile_zr"])
    plan.write_text("z_mm,diameter_mm\n" + rows)
    asked = SheetAsked(plan, mechanism=EXAMPLES / "quay-crank.toml", min_wall=3.5)
    outcome = run_sheet(asked)
    # The shaft leaves by the rounded top; everywhere else the wall is as asked for.
    assert {n.code for n in outcome.notices} <= {"bore-mouth", "thin-wall"}
    assert all(thin["from_mm"] > truth["length"] - 3.0 for thin in outcome.data["thin"])
    assert outcome.data["shaft_cut_mm"] < 240.0


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ('name = "m"\ncolour = "red"\n[[bore]]\nname="a"\npart="body"\nfrom="foot"\n'
         "diameter_mm=25\ntolerance_mm=0.3\ndepth_mm=20\n", "mechanism-file"),
        ('name = "m"\n[[bore]]\nname="a"\npart="body"\nfrom="foot"\ndiameter_mm=25\n'
         "tolerance_mm=0.3\n", "mechanism-file"),
        ("not toml at all [", "mechanism-file"),
        ('name = "m"\n[[bore]]\nname="wide"\npart="body"\nfrom="foot"\ndiameter_mm=70\n'
         "tolerance_mm=0.3\ndepth_mm=20\n", "bore-breaks-out"),
    ],
)  # fmt: skip
def test_bad_mechanisms(piece: Path, text: str, code: str) -> None:
    mechanism = piece.parent / "m.toml"
    mechanism.write_text(text)
    assert refused(SheetAsked(piece, mechanism=mechanism))[0] == code


@pytest.mark.parametrize(
    ("more", "code", "status"),
    [
        ({"plank": "2000x60x60"}, "plank-small", 3),
        ({"plank": "big"}, "plank", 2),
        ({"paper": "a9"}, "unknown-paper", 2),
        ({"layers": "maple 20"}, "layers-thin", 3),
        ({"layers": "maple"}, "layers", 2),
        ({"wood": "granite"}, "unknown-wood", 2),
        ({"min_wall": -1.0}, "option-value", 2),
        ({"min_wall": float("nan")}, "option-value", 2),
        ({"foot": "left"}, "option-value", 2),
        ({"out": Path("sheet.png")}, "option-value", 2),
        ({"stl": Path("mill.dxf")}, "option-value", 2),
        ({"split": 500.0}, "split-outside", 2),
        ({"mechanism": EXAMPLES / "quay-knob.toml"}, "split-missing", 2),
    ],
)
def test_bad_requests(piece: Path, more: dict[str, object], code: str, status: int) -> None:
    assert refused(SheetAsked(piece, **more)) == (code, status)


def test_photo_in_place_of_a_trace_is_told_what_to_type() -> None:
    """The sheet takes the trace by itself: it has no --plan."""
    with pytest.raises(RefusalError) as caught:
        run_sheet(SheetAsked(SAMPLES / "mill_tilted.jpg"))
    assert caught.value.notice.code == "plan-kind"
    advice = caught.value.notice.advice
    assert advice.endswith(f"Then measure sheet {SAMPLES / 'mill_tilted-measured'}.")
    assert "--plan" not in advice


def test_results_never_overwrite_the_piece(piece: Path) -> None:
    assert refused(SheetAsked(piece, csv=piece))[0] == "same-file"
    assert refused(SheetAsked(piece, csv=piece.with_suffix("")))[0] == "same-file"


def test_results_end_as_their_kinds_do(piece: Path) -> None:
    one = piece.parent / "one"
    run_sheet(SheetAsked(piece, out=one, dxf=one, svg=one))
    written = sorted(p.name for p in piece.parent.iterdir())
    assert written == ["mill.csv", "one.dxf", "one.pdf", "one.svg"]
    assert refused(SheetAsked(piece, out=piece.parent / "sheet.doc")) == ("option-value", 2)


def test_no_result_is_written_if_one_of_them_cannot_be(piece: Path) -> None:
    (piece.parent / "o.dxf").mkdir()
    assert refused(SheetAsked(piece, dxf=piece.parent / "o.dxf")) == ("not-a-file", 2)


def test_corners_of_a_plan_in_two_units_are_refused_with_the_place(tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text("z_mm,diameter_mm\n0,40\n50,1.575\n100,40\n")
    with pytest.raises(RefusalError, match="at 0 mm") as caught:
        run_sheet(SheetAsked(plan))
    assert caught.value.notice.code == "profile-inches"


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("two\nlines\x1b[31m\ttabbed", "two lines [31m tabbed"),
        ("\n\x00", "mill"),
        ("x" * 400, "x" * 119 + "…"),
        ("<b>&'\"", "<b>&'\""),
    ],
)
def test_name_is_one_line_everywhere(piece: Path, name: str, shown: str) -> None:
    svg, dxf = piece.parent / "o.svg", piece.parent / "o.dxf"
    outcome = run_sheet(SheetAsked(piece, name=name, svg=svg, dxf=dxf))
    assert outcome.data["name"] == shown
    assert outcome.text.splitlines()[0].startswith(f"{shown}: 180.0 mm long")
    assert ElementTree.parse(svg).getroot().findtext("{http://www.w3.org/2000/svg}title") == shown
    document = ezdxf.readfile(dxf)
    assert not document.audit().errors
    assert document.modelspace().query("TEXT")[0].dxf.text == shown


def test_letters_that_cannot_be_written_are_said(piece: Path) -> None:
    told = {n.code: n for n in run_sheet(SheetAsked(piece, name="Mühle 漢字 Łódź")).notices}
    assert "漢字" in told["letters-missing"].message
    assert "Ł" not in told["letters-missing"].message
    plain = run_sheet(SheetAsked(piece, name="Mühle Łódź"))
    assert "letters-missing" not in [n.code for n in plain.notices]


def test_thin_end_as_the_foot_is_asked_about(tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text("z_mm,diameter_mm\n0,20\n100,50\n")
    (note,) = run_sheet(SheetAsked(plan)).notices
    assert (note.code, "--foot end" in note.advice) == ("thin-foot", True)
    assert not run_sheet(SheetAsked(plan, foot="end")).notices


def test_notices_are_in_the_units_asked_for(piece: Path) -> None:
    asked = SheetAsked(piece, mechanism=EXAMPLES / "quay-crank.toml", min_wall=12.7)
    for inches, words in ((False, "less than 12.7 mm"), (True, "less than 1/2 in")):
        notices = run_sheet(replace(asked, inches=inches)).notices
        assert words in next(n for n in notices if n.code == "thin-wall").message


def test_inches_leave_no_length_in_mm(tmp_path: Path) -> None:
    """Drills are sold by the millimetre, the file's layout is in it; nothing else is."""
    folder = as_trace(tmp_path / "open", 180.0, 184.0, 1.0)
    asked = SheetAsked(folder, mechanism=EXAMPLES / "quay-crank.toml", out=tmp_path / "s.pdf")
    outcome = run_sheet(replace(asked, inches=True))
    assert "end-unseen" in [n.code for n in outcome.notices]
    pages = [page.extract_text() for page in PdfReader(tmp_path / "s.pdf").pages]
    said = [*(n.message + n.advice for n in outcome.notices), outcome.text, *pages]
    for words in said:
        for size in re.findall(r"(.{12})\bmm\b", words):
            # Drills by name, and the bar to check the print with, which says both.
            assert re.search(r"[(,] ?(6|20|30|42) $|100 $", size), size


def test_shaft_is_known_no_better_than_the_length(tmp_path: Path) -> None:
    folder = as_trace(tmp_path / "mill", 180.0, 180.4, 1.2)
    crank = EXAMPLES / "quay-crank.toml"
    outcome = run_sheet(SheetAsked(folder, mechanism=crank, out=tmp_path / "s.pdf"))
    assert "±1.20, no surer than the length: leave it long" in outcome.text
    assert (
        "±1.20, no surer than the length" in PdfReader(tmp_path / "s.pdf").pages[1].extract_text()
    )
    folder = as_trace(tmp_path / "sure", 180.0, 180.4, 0.1)
    outcome = run_sheet(SheetAsked(folder, mechanism=crank, out=tmp_path / "s.pdf"))
    assert "Cut the shaft to 190.4 mm." in outcome.text


@pytest.mark.parametrize("paper", ["a4", "letter", "a5", "a3", "tabloid"])
def test_all_that_was_asked_for_stands_on_the_sheet(piece: Path, paper: str) -> None:
    asked = SheetAsked(
        piece, mechanism=EXAMPLES / "quay-knob.toml", split=135.0, wood="maple", paper=paper,
        plank="2000x200x80", fair=True,
        layers="maple 20, walnut 5, maple 24, walnut 5, red maple 21",
    )  # fmt: skip
    run_sheet(asked)
    pages = [page.extract_text() for page in PdfReader(piece.parent / "mill-sheet.pdf").pages]
    words = " ".join(" ".join(pages).split())
    for part in ("Plank 2000 × 200 × 80: 24 of the thickest layer", "Weight: blank 1.10 kg",
                 "Wood Handbook", "red maple 21.0 (saw 24.0)", "8 faces to glue",
                 "Fair curve: over any 2 mm", "as if all were maple"):  # fmt: skip
        assert part in words, part


def test_how_a_drawing_was_read_is_said(tmp_path: Path) -> None:
    plan = tmp_path / "half.svg"
    plan.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="120mm" height="40mm" '
        'viewBox="0 0 120 40"><path fill="none" stroke="black" '
        'd="M 0 0 L 0 20 L 100 15 L 100 0 Z"/></svg>'
    )
    outcome = run_sheet(SheetAsked(plan))
    assert outcome.data["outline_notes"]
    assert outcome.data["outline_notes"][0] in outcome.text


def test_one_setting_is_one_setting(tmp_path: Path) -> None:
    plan = tmp_path / "rod.csv"
    plan.write_text("z_mm,diameter_mm\n0,40\n100,40\n")
    assert " 1 setting." in run_sheet(SheetAsked(plan)).text
