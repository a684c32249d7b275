"""What a check writes and prints: files, exit status, one JSON object, report, sheet, picture."""

import csv
import html
import io
import json
import re
import subprocess
import sys
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pypdf
import pytest
from checkpieces import (
    Noise,
    bump,
    flipped,
    measured_copy,
    mill_diameter,
    mill_plan,
    rows_with_shoulders,
)

from calib.refusal import BadFileError
from measure.check import CheckRequest, check
from measure.checkjob import in_units, run_check
from measure.checkpdf import check_pdf
from measure.checkreport import check_report
from measure.checkstrip import check_strip
from measure.checkwords import _joined, check_text, check_words, place_words
from measure.deviationsfile import check_data, deviations_csv
from measure.judge import OUTSIDE
from measure.measured import read_measured
from measure.places import Place
from measure.planmaking import checked_plan
from measure.profile import Profile
from measure.profilefile import rows_csv
from measure.result import TraceRequest
from measure.resultfile import result_json
from measure.sketch import Stroke, sketch_svg
from measure.units import INCHES, METRIC

PLAN = mill_plan()
BAD = lambda z: mill_diameter(z) + bump(z, 40.0, 6.0, 0.8) + bump(z, 130.0, 8.0, -0.7)


def result_of(shape, seed=1, turned=False, tolerance=(0.3, 0.3), noise=None):
    noise = noise or Noise()
    piece = measured_copy(*rows_with_shoulders(shape), noise, np.random.default_rng(seed))
    return check(flipped(piece) if turned else piece, PLAN, CheckRequest(tolerance))


@pytest.fixture
def folder(tmp_path):
    """A traced copy with two errors, and its plan as a table."""
    home = tmp_path / "mill-measured"
    home.mkdir()
    piece = measured_copy(*rows_with_shoulders(BAD), Noise(), np.random.default_rng(1))
    (home / "profile.csv").write_bytes(rows_csv(piece.profile))
    facts = {
        "kind": "trace", "photo": "mill.jpg", "setup": "bench", "scale_from": "ID-1 card",
        "lens_from": "EXIF", "z_zero": "end", "far_end": "end",
        "length_mm": 180.2, "length_u95_mm": 0.3, "warnings": [],
    }  # fmt: skip
    (home / "result.json").write_bytes(result_json(facts))
    z, d = rows_with_shoulders(mill_diameter)
    rows = "".join(f"{a:.3f},{b:.4f}\n" for a, b in zip(z, d, strict=True))
    (tmp_path / "plan.csv").write_text("z_mm,diameter_mm\n" + rows)
    # In inches it would be longer than any piece, instead of another than this one.
    (tmp_path / "long.csv").write_text("z_mm,diameter_mm\n" + rows + "211.0,40.0\n")
    return tmp_path


def command(*words):
    done = subprocess.run(
        [sys.executable, "-c", "from measure.cli import main; main()", "check", *map(str, words)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    return done


def test_deviations_csv_keeps_its_contract():
    result = result_of(BAD)
    rows = list(csv.DictReader(io.StringIO(deviations_csv(result.rows).decode())))
    assert list(rows[0])[:7] == [
        "z_mm", "plan_diameter_mm", "diameter_mm", "deviation_mm", "u95_mm", "judged", "verdict",
    ]  # fmt: skip
    assert {row["judged"] for row in rows} == {"diameter", "normal"}
    assert {row["verdict"] for row in rows} <= {"within", "outside", "unsure"}
    for row in rows:
        if row["judged"] == "diameter":
            difference = float(row["diameter_mm"]) - float(row["plan_diameter_mm"])
            assert float(row["deviation_mm"]) == pytest.approx(difference, abs=2e-4)
    at_40 = [float(r["deviation_mm"]) for r in rows if 38.5 < float(r["z_mm"]) < 41.5]
    assert np.mean(at_40) == pytest.approx(0.8, abs=0.12)
    assert len(rows) == len(result.rows)


def test_result_json_holds_what_programs_need():
    data = json.loads(json.dumps(check_data(result_of(BAD)), allow_nan=False))
    assert data["kind"] == "check"
    assert data["verdict"] == "outside"
    assert data["worst_proud"]["deviation_mm"] == pytest.approx(0.8, abs=0.15)
    assert data["worst_shy"]["deviation_mm"] == pytest.approx(-0.7, abs=0.15)
    assert data["worst_shy"]["z_mm"] == pytest.approx(130.0, abs=1.0)
    for key in ("photo", "setup", "scale_from", "lens_from", "z_zero", "length_mm",
                "length_u95_mm", "max_diameter_mm", "warnings"):  # fmt: skip
        assert key in data
    assert sum(data["judged"].values()) == len(result_of(BAD).rows)


def test_words_say_what_to_take_off_and_what_cannot_be_saved():
    text = check_text(result_of(BAD), METRIC)
    assert "take 0.8 off the diameter, down to 43.5" in text or "down to 43.4" in text
    assert "cannot be put back" in text
    assert "Stop the lathe" in text
    within = check_text(result_of(mill_diameter), METRIC)
    assert "WITHIN" in within
    assert "take" not in within


def place(z_from, z_to):
    middle = 0.5 * (z_from + z_to)
    return Place(z_from, z_to, middle, middle, 0.4, 0.1, 0.3, 40.0, 40.4, False, OUTSIDE)


def test_stretches_that_overlap_are_told_as_one():
    places = [place(z, z + length) for z, length in ((3.0, 5.0), (20.0, 4.0), (6.0, 1.0))]
    assert _joined(places) == [(3.0, 8.0), (20.0, 24.0)]
    assert _joined([place(3.0, 8.0), place(8.0, 9.0)]) == [(3.0, 9.0)]


def test_what_is_surely_proud_is_told_for_the_first_cut():
    proud = replace(place(3.0, 8.0), verdict=OUTSIDE, deviation_mm=0.96, u95_mm=0.35)
    text = place_words(proud, result_of(BAD), METRIC)
    assert "take 0.96" in text or "take 1.0" in text
    assert "0.6 is sure" in text
    unsure = replace(proud, u95_mm=0.95)
    assert "is sure" not in place_words(unsure, result_of(BAD), METRIC)


def test_words_on_a_flipped_piece_give_both_places():
    text = check_text(result_of(BAD, turned=True), METRIC)
    assert "turned end for end" in text
    assert re.search(r"\(1\d\d(\.\d)? on the piece\)", text)  # 180 - 40


def test_inches_change_words_only():
    result = result_of(BAD)
    text = check_text(result, INCHES)
    assert " in proud" in text
    assert " mm" not in text
    assert b"0.8" in deviations_csv(result.rows)
    long = checked_plan("long", np.append(PLAN.z_mm, 200.0), np.append(PLAN.diameter_mm, 40.0))
    longer = check(result.piece, long, CheckRequest((0.3, 0.3)))
    shown = in_units(longer, INCHES)
    told = [next(n.message for n in r.notices if n.code == "plan-longer") for r in (longer, shown)]
    mm, inches = (float(text.split("laid on, ")[1].split()[0]) for text in told)
    assert mm == pytest.approx(20.0, abs=0.3)
    assert inches == pytest.approx(mm / 25.4, abs=0.003)
    assert " in of the plan lie past" in told[1]


def test_strip_is_to_scale_and_readable_without_colour():
    result = result_of(BAD)
    sketch = check_strip(result, METRIC)
    svg = ElementTree.fromstring(sketch_svg(sketch, "a < b & c"))
    assert svg.tag.endswith("svg")
    strokes = [item for item in sketch.items if isinstance(item, Stroke)]
    # The plan's dashed line: 180 mm long and 56 mm tall on the page, at 1:1.
    plan = max((s for s in strokes if s.dash_mm == (1.5, 0.8)), key=lambda s: len(s.points))
    assert np.ptp(plan.points[:, 0]) == pytest.approx(180.0)
    tops = [s.points for s in strokes if s.dash_mm == (1.5, 0.8)]
    assert max(p[:, 1].max() for p in tops) - min(p[:, 1].min() for p in tops) == pytest.approx(56)
    # Without colour: outside is a thick bar, and there are two of them, at 40 and 130.
    bars = [s for s in strokes if s.width_mm == 2.2]
    middles = sorted(float(np.mean(s.points[:, 0])) - 12.0 for s in bars)[-3:]
    assert any(abs(m - 40.0) < 1.0 for m in middles)
    assert any(abs(m - 130.0) < 1.0 for m in middles)
    # Shy is hatched: upright lines below the zero line between 126 and 134.
    hatch = [s for s in strokes if len(s.points) == 2 and s.width_mm == 0.3
             and s.points[0, 0] == s.points[1, 0] and 126 < s.points[0, 0] - 12 < 134]  # fmt: skip
    assert len(hatch) >= 6
    assert all(s.points[1, 1] > s.points[0, 1] for s in hatch)


def test_long_piece_is_drawn_smaller_and_says_so():
    z = np.arange(0.0, 900.1, 0.25)
    from measure.measured import Measured
    from measure.planmaking import checked_plan
    from measure.profile import Profile

    d = 40.0 + 10.0 * np.cos(z / 60.0)
    plan = checked_plan("leg", z, d)
    piece = Measured("leg", Profile(z, d, np.full_like(z, 0.1), np.zeros_like(z)), 900.0, 0.5)
    sketch = check_strip(check(piece, plan, CheckRequest()), METRIC)
    assert sketch.width_mm <= 255.0
    assert any("1:5" in getattr(item, "text", "") for item in sketch.items)


def test_sheet_is_one_page_at_true_size_with_readable_text():
    pdf = pypdf.PdfReader(io.BytesIO(check_pdf(result_of(BAD))))
    assert len(pdf.pages) == 1
    page = pdf.pages[0]
    assert float(page.mediabox.width) == pytest.approx(297.0 * 72 / 25.4, abs=0.1)
    assert pdf.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"
    text = page.extract_text()
    assert "OUTSIDE at 2 places" in text
    assert "0.8 off the diameter" in text.replace("\n", " ")
    assert "Piece 1:1" in text


@pytest.mark.parametrize("units", [METRIC, INCHES])
def test_axis_and_strip_carry_their_unit(units):
    items = check_strip(result_of(BAD), units).items
    words = [item.text for item in items if hasattr(item, "text")]
    assert units.name in words  # at the end of the axis
    assert f"0 {units.name}" in words  # at the strip's zero line
    limit = "0.012" if units.inches else "0.3"
    assert f"{limit} {units.name}" in words


def test_a_note_on_the_sheet_says_what_to_do():
    result = result_of(mill_diameter, tolerance=(0.05, 0.05))
    notice = next(n for n in result.notices if n.code == "tolerance-too-fine")
    text = pypdf.PdfReader(io.BytesIO(check_pdf(result))).pages[0].extract_text()
    assert f"{notice.message} {notice.advice}" in text.replace("\n", " ")


def test_names_from_outside_are_escaped():
    from dataclasses import replace

    result = result_of(BAD)
    nasty = '<script>alert(1)</script> & "Öl" ☕'
    result = replace(
        result, plan=replace(result.plan, name=nasty), piece=replace(result.piece, name=nasty)
    )
    page = check_report(result, None)
    assert "<script>" not in page
    assert "&lt;script&gt;" in page
    text = pypdf.PdfReader(io.BytesIO(check_pdf(result))).pages[0].extract_text()
    assert "<script>" in text


def test_job_writes_beside_the_trace_and_leaves_it_whole(folder):
    before = (folder / "mill-measured" / "result.json").read_bytes()
    outcome = run_check(
        folder / "mill-measured", folder / "plan.csv", CheckRequest((0.3, 0.3)), TraceRequest(),
        plan_units=None, out=None, inches=False, report=True, fail_outside=False, quietly=True,
    )  # fmt: skip
    out = folder / "mill-checked"
    assert sorted(p.name for p in out.iterdir()) == [
        "check.pdf", "deviations.csv", "profile.csv", "report.html", "result.json", "stations.csv",
    ]  # fmt: skip
    assert outcome.status == 0
    assert outcome.data["photo"] == "mill.jpg"
    assert (folder / "mill-measured" / "result.json").read_bytes() == before
    with pytest.raises(BadFileError) as caught:
        run_check(
            folder / "mill-measured", folder / "plan.csv", CheckRequest(), TraceRequest(),
            plan_units=None, out=folder / "mill-measured", inches=False, report=False,
            fail_outside=False, quietly=True,
        )  # fmt: skip
    assert caught.value.notice.code == "out-is-source"
    assert (folder / "mill-measured" / "result.json").read_bytes() == before


def test_photo_options_with_a_trace_are_refused(folder):
    with pytest.raises(BadFileError) as caught:
        run_check(
            folder / "mill-measured", folder / "plan.csv", CheckRequest(),
            TraceRequest(box_px=(0.0, 0.0, 9.0, 9.0)), plan_units=None, out=None, inches=False,
            report=False, fail_outside=False, quietly=True,
        )  # fmt: skip
    assert caught.value.notice.code == "bad-option"


def test_known_reading_with_a_trace_narrows_it_and_a_wrong_one_is_refused(folder):
    def run(known):
        return run_check(
            folder / "mill-measured", folder / "plan.csv", CheckRequest((0.3, 0.3)),
            TraceRequest(known=known), plan_units=None, out=folder / "o", inches=False,
            report=False, fail_outside=False, quietly=True,
        ).data  # fmt: skip

    loose, known = run(()), run(((165.0, 40.0),))
    assert known["judged"]["unsure"] <= loose["judged"]["unsure"]
    from calib.refusal import RefusalError

    with pytest.raises(RefusalError) as caught:
        run(((165.0, 44.0),))
    assert caught.value.notice.code == "known-contradicts"


def test_exit_status_and_one_json_object(folder):
    piece, plan = folder / "mill-measured", folder / "plan.csv"
    args = (piece, "--plan", plan, "--no-report", "--out", folder / "o", "--tolerance", "0.3")
    assert command(*args).returncode == 0
    failed = command(*args, "--fail-outside", "--json")
    assert failed.returncode == 4
    assert json.loads(failed.stdout)["verdict"] == "outside"
    wide = command(piece, "--plan", plan, "--no-report", "--out", folder / "o",
                   "--tolerance", "2", "--fail-outside")  # fmt: skip
    assert wide.returncode == 0


@pytest.mark.parametrize(
    ("words", "status", "code"),
    [
        (["--plan", "none.csv"], 2, "no-plan"),
        (["--plan", "plan.csv", "--tolerance", "loose"], 2, "tolerance"),
        (["--plan", "plan.csv", "--datum", "middle"], 2, "datum"),
        (["--plan", "plan.csv", "--datum", "77"], 3, "no-shoulder"),
        (["--plan", "plan.csv", "--flip", "maybe"], 2, "bad-option"),
        (["--plan", "plan.csv", "--plan-units", "inch"], 3, "plan-units"),
        (["--plan", "plan.csv", "--plan-units", "ells"], 2, "plan-units"),
        (["--plan", "long.csv", "--plan-units", "inch"], 2, "plan-units"),
        (["--plan", "plan.csv", "--setup", "upright"], 2, "bad-option"),
        (["--plan", "plan.csv", "--target", "a4"], 2, "bad-option"),
        (["--plan", "plan.csv", "--flip", "yes"], 3, "other-piece"),
    ],
)
def test_what_is_wrong_is_said_in_two_lines(folder, words, status, code):
    words = [folder / w if w.endswith(".csv") else w for w in words]
    out = folder / "out"
    done = command(folder / "mill-measured", *words, "--json", "--out", out)
    assert done.returncode == status
    assert json.loads(done.stdout)["code"] == code
    assert len(done.stderr.strip().splitlines()) == 2
    assert "Traceback" not in done.stderr
    assert not out.exists()


def traced(profile):
    """A trace of a piece that lies straight across a grey picture, 4 px/mm."""
    from measure.result import TraceResult

    z, r = profile.z_mm, profile.diameter_mm / 2.0
    upper = np.column_stack([60.0 + 4.0 * z, 200.0 - 4.0 * r])
    lower = np.column_stack([60.0 + 4.0 * z, 200.0 + 4.0 * r])
    return TraceResult(
        photo_name="copy.jpg", setup="bench", scale_from="ID-1 card", lens_from="EXIF",
        z_zero="end", length_mm=180.0, length_u95_mm=0.2, profile=profile, notices=(),
        left_out=(), outline_px=np.vstack([upper, lower]), outline_z_mm=np.concatenate([z, z]),
        axis_px=np.array([[60.0, 200.0], [780.0, 200.0]]),
        target_px=np.array([[300.0, 400.0], [640.0, 400.0], [640.0, 600.0], [300.0, 600.0]]),
        tilt_deg=25.0, px_per_mm=4.0,
    )  # fmt: skip


def test_photo_is_traced_checked_and_marked(folder, monkeypatch):
    import measure.tracejob

    class Photo:
        bgr = np.full((640, 860, 3), 128, dtype=np.uint8)

    piece = measured_copy(*rows_with_shoulders(BAD), Noise(), np.random.default_rng(1))
    asked = []

    def trace_one(path, request, progress):
        asked.append(request)
        return Photo(), traced(piece.profile)

    monkeypatch.setattr(measure.tracejob, "trace_one", trace_one)
    outcome = run_check(
        folder / "copy.jpg", folder / "plan.csv", CheckRequest((0.3, 0.3)),
        TraceRequest(known=((90.0, 55.0),)), plan_units=None, out=None, inches=False, report=True,
        fail_outside=True, quietly=True,
    )  # fmt: skip
    out = folder / "copy-measured"
    assert asked[0].known == ((90.0, 55.0),)  # the trace takes readings in, the check does not
    assert outcome.status == 4
    assert (outcome.data["kind"], outcome.data["scale_from"]) == ("check", "ID-1 card")
    assert "px_per_mm" in outcome.data
    import cv2

    picture = cv2.imread(str(out / "checked.jpg")).astype(int)
    # Marked on the piece near z = 40 and z = 130, not where it is within.
    drawn = np.max(np.abs(picture - 128), axis=2) > 25
    band = drawn[130:190]
    assert band[:, 60 + 4 * 38 : 60 + 4 * 42].mean() > 0.3
    assert band[:, 60 + 4 * 127 : 60 + 4 * 133].mean() > 0.3
    assert band[:, 60 + 4 * 60 : 60 + 4 * 75].mean() < 0.05
    assert "data:image/jpeg" in (out / "report.html").read_text()


def test_places_that_are_likely_within_share_a_line():
    """A copy true to 0.1 mm by a photo that knows 0.3 mm: eight lines of that help nobody."""
    result = result_of(lambda z: mill_diameter(z) + 0.1 * np.sin(z / 4.0), noise=Noise(0.003, 0.06))
    likely = [p for p in result.places if p.verdict == "unsure" and p.beyond_mm <= 0.0]
    assert len(likely) >= 3
    lines = [line for line in check_text(result, METRIC).splitlines() if "likely within" in line]
    assert len(lines) == 1
    spans = re.findall(r"([\d.]+) to ([\d.]+)", lines[0])
    for one in likely:
        inside = [
            float(a) - 0.06 <= one.z_from_mm and one.z_to_mm <= float(b) + 0.06 for a, b in spans
        ]
        assert sum(inside) == 1
    report = check_report(result, None)
    assert report.count("too close to call</td>") >= len(likely)


def test_the_report_lists_every_place():
    """Nine have room for a number in the drawing; the terminal sends the reader here for more."""
    shape = result_of(lambda z: mill_diameter(z) + 0.4 * np.sin(z / 2.2), noise=Noise(0.003, 0.06))
    lines = check_words(shape, METRIC).places
    assert len(lines) > 9
    page = check_report(shape, None)
    assert all(html.escape(line) in page for line in lines)


def test_a_shift_of_a_row_is_said_and_both_places_are_given():
    """Where a place of the plan is another one of the piece, a caliper would be put wrong."""
    z, d = rows_with_shoulders(mill_diameter)
    piece = measured_copy(z, d, Noise(0.0, 0.01), None)
    early = z >= 0.4
    late = replace(
        piece,
        profile=Profile(
            z[early] - 0.4,
            d[early],
            piece.profile.u95_mm[early],
            piece.profile.u95_common_mm[early],
        ),
    )
    result = check(late, PLAN, CheckRequest((0.3, 0.3)))
    assert "(piece 0 is at 0.4 of the plan)" in check_text(result, METRIC)
    assert "on the piece" in check_report(result, None)


def test_a_result_of_another_command_is_named(tmp_path):
    (tmp_path / "result.json").write_text('{"schema": 1, "kind": "hole"}')
    with pytest.raises(BadFileError) as caught:
        read_measured(tmp_path)
    assert "the folder is of measure hole" in caught.value.notice.message


def test_what_to_do_is_read_on_a_phone_without_scrolling_sideways():
    """The lines of the list may break, and only a table of numbers scrolls, inside itself.

    CSS Text Module Level 3, section 3, and CSS Overflow Module Level 3 (from memory).
    """
    page = check_report(result_of(BAD), None)
    (classes,) = set(re.findall(r'<td class="([^"]*)">[^<]*mm (?:proud|shy) at', page))
    style = page.split("<style>")[1].split("</style>")[0]
    wraps = re.findall(r"td\.(\w+) \{ white-space: normal; \}", style)
    assert set(wraps) & set(classes.split())
    narrow = style.split("@media screen and (max-width: 50rem) {")[1]
    assert "overflow-x: auto" in narrow.split("}")[0]
