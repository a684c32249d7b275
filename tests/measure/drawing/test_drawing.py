"""Drawings and templates against what was drawn; synthetic photos, not rendered, not photographed.

The sheets are small and the pictures have 3 megapixels, so that the tests are fast.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from sheets import Sketch, photo_of

from calib.photo import read_photo
from calib.refusal import RefusalError
from measure.check import CheckRequest, check
from measure.drawing import Drawing, measure_drawing
from measure.drawingreport import drawing_report
from measure.drawingrequest import EDGE, DrawingRequest
from measure.drawingsides import worst_difference
from measure.drawingwords import drawing_data, drawing_text
from measure.measured import Measured
from measure.planmaking import plan_of_profile
from measure.profile import Profile
from measure.profilefile import profile_csv
from measure.units import units_for
from tests.benchmarks.scoring import Judged, in_truth, judged

ROOT = Path(__file__).parents[3]
SMALL = {
    "sheet_mm": (210.0, 148.0),
    "size_px": (2016, 1512),
    "distance_mm": 225.0,
    "k1": 0.0,
    "seed": 3,
}


def knob(length: float = 130.0) -> np.ndarray:
    """Return (n, 2) rows of a knob: tenon, shoulder, bead, cove, swell, shoulder, dome-less end."""
    t = np.linspace(-1.0, 1.0, 41)
    arc = np.sqrt(1.0 - t**2)
    rows = [(0.0, 8.0), (18.0, 8.0), (18.0, 13.0), (24.0, 13.0)]
    rows += [(29.0 + 5.0 * x, 13.0 + 2.5 * y) for x, y in zip(t, arc, strict=True)]
    rows += [(34.0, 13.0), (38.0, 13.0)]
    rows += [(45.0 + 7.0 * x, 13.0 - 3.5 * y) for x, y in zip(t, arc, strict=True)]
    s = np.linspace(0.0, 1.0, 61)
    rows += [(52.0 + 60.0 * x, 13.0 - 2.0 * x + 2.5 * np.sin(np.pi * x)) for x in s]
    rows += [(112.0, 7.0), (length, 7.0)]
    return np.array(rows)


@cache
def read(name: str) -> Drawing:
    sketch, request = SKETCHES[name]
    return measure_drawing(photo_of(sketch)[0], request)


FULL = Sketch(knob(), **SMALL)
SKETCHES = {
    "full": (FULL, DrawingRequest()),
    "half": (replace(FULL, half=True, pencil_mm=0.4, seed=4), DrawingRequest()),
    "scaled": (
        replace(FULL, rows=2.0 * knob(), drawn_scale=0.5, half=True, seed=5),
        DrawingRequest(times=2.0),
    ),
    "lopsided": (replace(FULL, skew_mm=1.0, seed=6), DrawingRequest()),
    "bowed": (replace(FULL, bow_mm=0.4, pencil_mm=0.8, seed=7), DrawingRequest()),
    "template": (replace(FULL, template=True), DrawingRequest(what=EDGE)),
    "half template": (replace(FULL, template=True, half=True), DrawingRequest(what=EDGE)),
}


def against_truth(name: str) -> Judged:
    """Judge a reading against what was drawn, turned end for end if it was read from there."""
    drawing, rows = read(name), SKETCHES[name][0].rows
    length = drawing.result.length_mm
    assert length is not None
    both = [
        judged(in_truth(drawing.result.profile, rows[-1, 0] if back else 0.0, back), rows)
        for back in (False, True)
    ]
    return min(both, key=lambda j: float(np.median(np.abs(j.error_mm))))


@pytest.mark.parametrize("name", ["full", "half", "bowed", "template", "half template"])
def test_outline_is_within_0_2_mm_over_95_percent(name: str) -> None:
    rows = against_truth(name)
    assert np.mean(np.abs(rows.error_mm) < 0.2) >= 0.95
    assert np.mean(rows.inside) >= 0.9


@pytest.mark.parametrize("name", ["full", "half", "scaled", "bowed", "template", "half template"])
def test_length_is_inside_its_uncertainty(name: str) -> None:
    result = read(name).result
    true = SKETCHES[name][0].rows[-1, 0]
    assert result.length_mm is not None
    assert result.length_u95_mm is not None
    assert abs(result.length_mm - true) <= result.length_u95_mm
    assert result.length_u95_mm < 0.01 * true


def test_half_and_full_are_told_apart() -> None:
    assert [read(name).profile for name in ("full", "half", "scaled")] == ["full", "half", "half"]
    assert read("template").profile == "full"
    assert read("half template").profile == "half"


def test_a_half_size_drawing_comes_out_at_true_size() -> None:
    rows = against_truth("scaled")
    assert np.mean(np.abs(rows.error_mm) < 0.4) >= 0.95  # 0.2 mm as drawn
    assert read("scaled").result.profile.z_mm[-1] == pytest.approx(260.0, abs=1.0)
    assert "1:2" in drawing_text(read("scaled"), 5.0, units_for(False))


def test_a_lopsided_drawing_is_said_to_be_so() -> None:
    lopsided = read("lopsided")
    z, off = lopsided.worst_asymmetry
    assert abs(off) == pytest.approx(1.0, abs=0.35)
    assert 20.0 < z < 110.0
    assert "drawing-lopsided" in {n.code for n in lopsided.result.notices}
    assert "drawing-lopsided" not in {n.code for n in read("full").result.notices}
    data = drawing_data(lopsided)
    assert data["asymmetry_mm"] == pytest.approx(off, abs=1e-3)
    assert drawing_data(read("half"))["asymmetry_mm"] is None


def test_the_pencil_is_followed_at_its_middle() -> None:
    assert read("full").line_mm == pytest.approx(0.5, abs=0.2)
    assert read("bowed").line_mm == pytest.approx(0.8, abs=0.25)
    flat = ~against_truth("bowed").steep
    assert abs(np.mean(against_truth("bowed").error_mm[flat])) < 0.1


def test_a_drawing_serves_as_a_plan_for_the_piece_that_was_meant() -> None:
    rows = knob()
    z = np.arange(0.0, 130.01, 0.25)
    z = np.sort(np.concatenate([z[~np.isin(z, (18.0, 112.0))], [18.0, 18.0, 112.0, 112.0]]))
    d = 2.0 * np.interp(z, rows[:, 0], rows[:, 1])
    for at in (18.0, 112.0):
        before, after = np.flatnonzero(z == at)
        d[before], d[after] = 2.0 * rows[np.flatnonzero(rows[:, 0] == at), 1]
    small = np.full_like(z, 0.05)
    piece = Measured("copy", Profile(z, d, small, small), 130.0, 0.1)
    plan = plan_of_profile(read("full").result.profile, "drawing")
    result = check(piece, plan, CheckRequest((0.5, 0.5), pair=False))
    assert result.verdict != "outside"


def test_report_stands_alone() -> None:
    page = drawing_report(read("lopsided"), b"\xff\xd8\xff", 5.0, units_for(False))
    assert "http" not in page.split("</style>")[-1].replace("http://www.w3.org", "")
    assert "differ most at" in page


def refused(sketch: Sketch, request: DrawingRequest | None = None) -> RefusalError:
    with pytest.raises(RefusalError) as caught:
        measure_drawing(photo_of(sketch)[0], request or DrawingRequest())
    assert caught.value.notice.message
    assert caught.value.notice.advice
    return caught.value


def test_half_profile_without_centre_line_is_refused() -> None:
    sketch = replace(FULL, half=True, centre_line=False, dimensions=False, text=False)
    assert refused(sketch).notice.code == "no-centre-line"


def test_a_full_drawing_that_is_called_half_is_not_told_to_be_called_half() -> None:
    notice = refused(FULL, DrawingRequest(profile="half")).notice
    assert notice.code == "centre-line-unclear"
    assert "--profile full" in notice.advice
    assert "or half" not in notice.advice


def test_sheet_without_drawing_is_refused() -> None:
    sketch = replace(FULL, darkness=0.0, smudges=3)
    assert refused(sketch).notice.code in ("no-drawing", "no-outline", "no-centre-line")


@pytest.mark.parametrize("name", ["mill_tilted", "mill_flat"])
def test_a_turned_piece_is_no_drawing(name) -> None:
    """Grooves and gleams make dark lines too, but what lies on their two sides differs."""
    photo = read_photo(Path(__file__).parents[3] / "sample_images" / f"{name}.jpg")
    with pytest.raises(RefusalError) as caught:
        measure_drawing(photo, DrawingRequest())
    assert caught.value.notice.code in ("no-drawing", "no-outline", "no-centre-line")


@pytest.mark.parametrize("name", ["mill_tilted", "mill_dark"])
def test_a_turned_piece_is_no_template(name: str) -> None:
    """Its rims lie above the bench, not in one plane with it, and its shadow makes one side."""
    photo = read_photo(ROOT / "sample_images" / f"{name}.jpg")
    with pytest.raises(RefusalError, match="two sides differ") as caught:
        measure_drawing(photo, DrawingRequest(what=EDGE, profile="full"))
    assert caught.value.notice.code == "drawing-lopsided"
    assert "measure trace" in caught.value.notice.advice


def test_sides_are_said_to_differ_by_one_figure() -> None:
    """In the first line, in the note and in result.json; at half size it is twice as large."""
    drawing = read("lopsided")
    _, off = drawing.worst_asymmetry
    note = next(n for n in drawing.result.notices if n.code == "drawing-lopsided")
    assert f"by up to {abs(off):.1f} mm" in note.message
    assert f"by up to {abs(off):.1f} mm" in drawing_text(drawing, 5.0, units_for(False))
    strays = np.zeros(400)
    strays[100:104] = 5.0  # a millimetre of rows beside a corner
    strays[200:300] = 0.16
    twice = 2.0 * np.repeat(strays, 2)
    assert strays[worst_difference(strays, 1.0)] == pytest.approx(0.16)
    assert twice[worst_difference(twice, 2.0)] == pytest.approx(0.32)


def test_no_template_on_a_plain_sheet() -> None:
    assert refused(replace(FULL, darkness=0.0), DrawingRequest(what=EDGE)).notice.code in (
        "no-outline",
        "no-centre-line",
    )


def test_command_writes_a_plan_and_nothing_half(tmp_path) -> None:
    photo = tmp_path / "knob.jpg"
    cv2.imwrite(str(photo), photo_of(FULL)[0].bgr)
    program = "from measure.cli import main; main()"

    def run(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", program, *words],
            capture_output=True, text=True, check=False, timeout=120,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip

    said = run("drawing", str(photo), "--json", "--profile", "full")
    assert said.returncode == 0, said.stderr
    data = json.loads(said.stdout)
    assert data["kind"] == "drawing"
    folder = tmp_path / "knob-measured"
    assert sorted(p.name for p in folder.iterdir()) == sorted(data["files"])
    assert {"profile.csv", "result.json", "report.html"} <= set(data["files"])
    checked = run("check", str(folder), "--plan", str(folder), "--out", str(tmp_path / "c"))
    assert checked.returncode == 0, checked.stderr
    wrong = run("drawing", str(photo), "--drawn-scale", "half", "--out", str(tmp_path / "w"))
    assert wrong.returncode == 2
    assert len(wrong.stderr.splitlines()) == 2
    assert not (tmp_path / "w").exists()


def test_profile_survives_the_file() -> None:
    text = profile_csv(read("full").result.profile)
    assert text.count(b"\n") > 500
