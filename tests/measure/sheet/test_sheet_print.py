"""The PDF as a printer sees it: sizes, text, vector lines, and the print measured."""

from __future__ import annotations

import io
import re
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader
from sheetprints import template_errors
from sheetturnings import Turner, any_piece, baluster, mill, traced

from calib.refusal import BadFileError, RefusalError
from measure.mechanism import read_mechanism
from measure.pdfpen import Pen
from measure.profile import Profile
from measure.sheet import Sheet, SheetRequest, make_sheet
from measure.sheetback import feature_words
from measure.sheetframe import Place, draw_piece
from measure.sheetpdf import sheet_pdf
from measure.storystick import spread_labels
from measure.stretches import stretches
from measure.template import PAPERS, fill_pages, paper, template_strips, tiles
from measure.units import INCHES, METRIC, Units

EXAMPLES = Path(__file__).parents[3] / "measure" / "examples"


def sheet_of(turner: Turner, name: str = "Café mill", **more: object) -> Sheet:
    profile = traced(turner.chain(), np.random.default_rng(1))
    return make_sheet(SheetRequest(name, profile, **more))


def reader_of(sheet: Sheet, on: str = "a4") -> PdfReader:
    return PdfReader(io.BytesIO(sheet_pdf(sheet, paper(on))))


@pytest.mark.parametrize("kind", ["template", "mirrored"])
def test_template_prints_true_on_one_page(tmp_path: Path, kind: str) -> None:
    sheet, pdf = sheet_of(mill()), tmp_path / "a.pdf"
    pdf.write_bytes(sheet_pdf(sheet))
    off, bars = template_errors(sheet, paper("a4"), pdf, kind)
    assert len(off) > 400
    assert off.max() < 0.1
    assert bars == pytest.approx([100.0], abs=0.05)


def test_template_prints_true_across_seams(tmp_path: Path) -> None:
    sheet, pdf = sheet_of(baluster()), tmp_path / "a.pdf"
    pdf.write_bytes(sheet_pdf(sheet, paper("letter")))
    off, bars = template_errors(sheet, paper("letter"), pdf, "template")
    assert len(bars) == 3
    assert len(off) > 1500
    assert off.max() < 0.1
    assert bars == pytest.approx([100.0] * 3, abs=0.05)


@pytest.mark.parametrize("on", list(PAPERS))
def test_pages_have_the_size_of_the_paper(on: str) -> None:
    for page in reader_of(sheet_of(mill()), on).pages:
        for box in (page.mediabox, page.cropbox):
            assert float(box.width) * 25.4 / 72.0 == pytest.approx(PAPERS[on].width_mm, abs=0.01)
            assert float(box.height) * 25.4 / 72.0 == pytest.approx(PAPERS[on].height_mm, abs=0.01)


def test_viewer_must_not_scale_and_nothing_is_a_picture() -> None:
    pdf = reader_of(sheet_of(mill()))
    preferences = pdf.trailer["/Root"]["/ViewerPreferences"]
    assert preferences["/PrintScaling"] == "/None"
    assert len(pdf.pages) == 3
    assert all(not page.images for page in pdf.pages)


def test_text_can_be_selected_and_says_what_a_turner_needs() -> None:
    mechanism = read_mechanism(EXAMPLES / "quay-knob.toml")
    sheet = sheet_of(mill(), mechanism=mechanism, split_mm=135.0)
    words = "\n".join(page.extract_text() for page in reader_of(sheet).pages)
    side = f"{sheet.blanks[-1].side_mm:.0f}"
    for part in (
        f"{side} × {side} × ", "Café mill", "Caliper settings", "bead 6 wide, 2.2 proud", "Boring",
        "First drill 42 mm", "Neck Ø 43.6", "Cut the shaft to 187", "face shield", "chuck",
        "sensitises", "rev/min", "data sheet", "100 mm between", "actual size", "foot",
    ):  # fmt: skip
        assert part in words, part


@pytest.mark.parametrize(
    "name", ["漢字 Ł ✓", "<script>&'\"", "(\\) %PDF %%EOF", "x" * 400, "\x00\n"]
)
def test_any_name_makes_a_readable_pdf(name: str) -> None:
    pdf = reader_of(sheet_of(mill(), name))
    assert len(pdf.pages) == 3
    assert "Caliper settings" in pdf.pages[0].extract_text()


def test_plan_without_uncertainty_shows_no_plus_minus() -> None:
    p = traced(mill().chain(), np.random.default_rng(1), scatter=0.0, wobble=0.0)
    zero = np.zeros(len(p.z_mm))
    sheet = make_sheet(SheetRequest("plan", Profile(p.z_mm, p.diameter_mm, zero, zero)))
    assert "±" not in reader_of(sheet).pages[0].extract_text()


def test_inches_change_the_words_only() -> None:
    sheet = sheet_of(mill())
    pdf = PdfReader(io.BytesIO(sheet_pdf(sheet, paper("letter"), INCHES)))
    assert "/64" in pdf.pages[0].extract_text()
    assert "100 mm" in pdf.pages[2].extract_text()


def crowded() -> Turner:
    t = Turner(15.0)
    for i in range(60):
        t.bow(5.0, 1.5 if i % 2 else 2.0)
        t.flat(2.0)
    t.taper(20.0, -3.0)
    return t


def test_crowded_piece_is_drawn_by_stretches_with_every_number() -> None:
    sheet = sheet_of(crowded())
    parts = stretches(sheet.settings, sheet.length_mm, 49)
    numbered = [n for part in parts for n, _ in part.settings]
    assert numbered == list(range(1, len(sheet.settings) + 1))
    assert all(len(part.settings) <= 49 for part in parts)
    for part in parts:
        assert all(part.low_mm <= s.z_mm <= part.high_mm for _, s in part.settings)
    pages = [page.extract_text() for page in reader_of(sheet).pages]
    assert f"settings {parts[1].settings[0][0]} to {parts[1].settings[-1][0]}" in pages[0]
    for part, page in zip(parts, pages[1:], strict=False):
        assert f"stretch {part.name}" in page
        lines = page.splitlines()
        # In its circle and in the table.
        assert all(lines.count(str(number)) >= 2 for number, _ in part.settings)


def test_shoulder_stays_on_one_page() -> None:
    t = Turner(20.0)
    for i in range(40):
        t.flat(6.0)
        t.shoulder(3.0 if i % 2 else -3.0)
    t.flat(6.0)
    sheet = sheet_of(t)
    for most in (7, 10, 23):
        for part in stretches(sheet.settings, sheet.length_mm, most)[1:]:
            first = part.settings[0][0]
            before, after = sheet.settings[first - 2], sheet.settings[first - 1]
            assert after.z_mm - before.z_mm > 0.3


@pytest.mark.parametrize("on", list(PAPERS))
def test_no_line_is_cut_short_on_any_paper(on: str) -> None:
    mechanism = read_mechanism(EXAMPLES / "quay-knob.toml")
    for sheet in (sheet_of(mill()), sheet_of(mill(), mechanism=mechanism, split_mm=135.0)):
        for page in reader_of(sheet, on).pages:
            assert "…" not in page.extract_text()


def seen_in_part(gaps: list[tuple[float, float]], **more: object) -> Sheet:
    """Return the sheet of a traced mill with gaps, its rows beside one known to 2 mm only."""
    p = traced(mill().chain(), np.random.default_rng(1))
    keep = np.ones(len(p.z_mm), dtype=bool)
    for low, high in gaps:
        keep &= (p.z_mm <= low) | (p.z_mm >= high)
    u95 = np.where(np.abs(p.z_mm - gaps[0][0]) < 0.3, 2.14, p.u95_mm)
    rows = (v[keep] for v in (p.z_mm, p.diameter_mm, u95, p.u95_common_mm))
    profile = Profile(*rows)
    return make_sheet(SheetRequest("mill_tilted", profile, 180.0, 1.85, traced=True, **more))


MANY_GAPS = [(z, z + 2.0) for z in (8.0, 20.0, 34.0, 50.0, 60.0, 75.0, 95.0, 150.0)]


@pytest.mark.parametrize("fair", [False, True])
@pytest.mark.parametrize("units", [METRIC, INCHES])
@pytest.mark.parametrize("on", list(PAPERS))
def test_nothing_is_cut_short_where_much_was_not_seen(on: str, units: Units, fair: bool) -> None:
    sheet = seen_in_part(MANY_GAPS, fair=fair, units=units)
    pages = [
        p.extract_text() for p in PdfReader(io.BytesIO(sheet_pdf(sheet, paper(on), units))).pages
    ]
    assert not [page for page in pages if "…" in page or "more, see" in page]
    lines = " ".join(pages).split()
    assert "worst" in lines
    whole = "\n".join(pages).splitlines()
    assert all(whole.count(str(n)) >= 2 for n in range(1, len(sheet.settings) + 1))
    assert all(feature_words(f, units) in whole for f in sheet.features)


@pytest.mark.parametrize("scale", [1.0, 0.5, 1 / 3, 0.2, 0.1])
def test_words_in_a_gap_cross_no_line(scale: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between the axis and the edge of the gap's box, and between its sides."""
    sheet = seen_in_part([(60.0, 85.0)])
    boxes: list[tuple[float, float, float, float]] = []
    usual = Pen.text

    def text(
        self: Pen, x: float, y: float, words: str, size: float, *rest: str, **more: float
    ) -> None:
        usual(self, x, y, words, size, *rest, **more)
        size, words = self._fitted(words, size, "Helvetica", more.get("room") or 1e3)
        long, high = self.text_width(words, size), 0.25 * size  # no letter is higher than that
        half = 0.5 * long
        if more.get("angle"):
            boxes.append((x - high, x, y - half, y + half))
        else:
            boxes.append((x - half, x + half, y, y + high))

    monkeypatch.setattr(Pen, "text", text)
    draw_piece(Pen(297.0, 210.0, "page"), sheet, Place(20.0, 100.0, scale))
    r = 0.5 * sheet.largest_mm * scale
    assert len(boxes) == (1 if scale > 0.3 else 0)  # no room at a fifth
    for left, right, low, high in boxes:
        assert 20.0 + 60.0 * scale < left < right < 20.0 + 85.0 * scale
        assert 100.0 < low < high < 100.0 + r


def test_words_on_the_template_wipe_nothing_off_a_thin_piece(tmp_path: Path) -> None:
    t = Turner(3.0)
    t.flat(150.0)
    t.bow(14.0, 7.0)
    sheet, pdf = sheet_of(t), tmp_path / "a.pdf"
    pdf.write_bytes(sheet_pdf(sheet))
    off, _ = template_errors(sheet, paper("a4"), pdf, "template")
    assert off.max() < 0.1


def test_long_and_slender_work_is_warned_of() -> None:
    assert any("whips" in c for c in sheet_of(baluster(700.0)).cautions)
    assert not any("whips" in c for c in sheet_of(mill()).cautions)


def test_crowded_piece_goes_on_over_more_pages() -> None:
    sheet = sheet_of(crowded())
    assert len(sheet.settings) > 100
    pages = [page.extract_text() for page in reader_of(sheet).pages]
    tables = [page for page in pages if "Caliper settings" in page]
    assert len(tables) > 1
    listed = sum(len(re.findall(r"bead \S+ wide", page)) for page in tables)
    assert listed == sum(s.name == "bead" for s in sheet.settings)


def test_large_bowl_needs_larger_paper() -> None:
    t = Turner(40.0)
    t.flat(20.0)
    t.taper(80.0, 180.0)
    sheet = sheet_of(t)
    with pytest.raises(RefusalError) as caught:
        sheet_pdf(sheet, paper("a5"))
    assert caught.value.notice.code == "paper-too-small"
    with pytest.raises(BadFileError) as wrong:
        paper("foolscap")
    assert wrong.value.notice.code == "unknown-paper"


def test_tiles_overlap_and_leave_nothing_out() -> None:
    for length in (100.0, 260.0, 270.0, 600.0, 1234.5):
        cut = tiles(length, 6.0, paper("a4"))
        assert cut[0].start_mm == pytest.approx(-6.0)
        assert cut[-1].stop_mm == pytest.approx(length + 6.0)
        for a, b in pairwise(cut):
            assert a.join_right == b.join_left
            assert a.stop_mm - b.start_mm == pytest.approx(12.0)
        assert all(t.stop_mm - t.start_mm <= 277.0 + 1e-6 for t in cut)


def test_strips_never_stand_higher_than_the_page() -> None:
    for seed in range(5):
        rng = np.random.default_rng(seed)
        profile = traced(any_piece(rng).chain(), rng)
        pages = fill_pages(template_strips(profile, paper("a5")), paper("a5"))
        assert sum(len(page) for page in pages) == 2


def test_labels_stand_apart_in_order_near_their_places() -> None:
    places = [0.0, 0.5, 1.0, 50.0, 50.1, 99.0]
    labels = spread_labels(places, 4.0, -2.0, 102.0)
    assert np.all(np.diff(labels) >= 4.0 - 1e-9)
    assert labels[0] >= -2.0
    assert labels[-1] <= 102.0
    assert labels[3:5] == pytest.approx([48.05, 52.05])
    assert spread_labels([], 4.0, 0.0, 10.0) == []
    assert len(spread_labels(list(range(20)), 4.0, 0.0, 10.0)) == 20
