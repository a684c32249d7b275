import io
import re

import numpy as np
import pypdfium2 as pdfium
import pytest
from PIL import Image

from calib.board import BOARDS
from calib.boardpage import BAR_MM, board_page, page_pdf, page_picture, picture_png

pypdf = pytest.importorskip("pypdf")
ALL = list(BOARDS.values())
each = pytest.mark.parametrize("board", ALL, ids=lambda b: b.name)
POINT_MM = 25.4 / 72.0


def bar_length_px(grey, along):
    """Distance between the middles of the two end lines of a bar along x (0) or y (1).


    The end lines are where the ink across the bar is longest; each is placed by its centroid.
    """
    ink = (255.0 - grey).sum(axis=along)
    high = ink > 0.5 * ink.max()
    starts = np.flatnonzero(np.diff(np.r_[False, high].astype(int)) == 1)
    stops = np.flatnonzero(np.diff(np.r_[high, False].astype(int)) == -1) + 1
    assert len(starts) == 2
    middles = []
    for a, b in zip(starts, stops, strict=True):
        part = slice(a - 1, b + 1)
        middles.append(np.average(np.arange(a - 1, b + 1), weights=ink[part]))
    return middles[1] - middles[0]


def bars_mm(grey, board, dpi):
    """Measure both bars in a picture of the page."""
    page, scale = board_page(board), dpi / 25.4
    lines = [b for b in page.grey if max(b[2], b[3]) == pytest.approx(BAR_MM - 0.2)]
    assert len(lines) == 2
    lengths = []
    for x, y, width, height in sorted(lines, key=lambda b: -b[2]):
        left = round((x - 1.0 + page.sheet_mm[0] / 2) * scale)
        right = round((x + width + 1.0 + page.sheet_mm[0] / 2) * scale)
        top = round((page.sheet_mm[1] / 2 - y - height - 1.0) * scale)
        bottom = round((page.sheet_mm[1] / 2 - y + 1.0) * scale)
        lengths.append(bar_length_px(grey[top:bottom, left:right], int(width < height)) / scale)
    return lengths


@each
def test_pdf_has_the_sheet_size_and_is_not_to_be_scaled(board):
    reader = pypdf.PdfReader(io.BytesIO(page_pdf(board_page(board))))
    assert len(reader.pages) == 1
    for box in (reader.pages[0].mediabox, reader.pages[0].cropbox):
        size = float(box.width) * POINT_MM, float(box.height) * POINT_MM
        assert size == pytest.approx(board.sheet_mm, abs=0.005)
    # ISO 32000-1, table 150: PrintScaling None asks the viewer not to scale the page.
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"


@each
def test_pdf_says_what_to_do_in_text_that_can_be_selected(board):
    reader = pypdf.PdfReader(io.BytesIO(page_pdf(board_page(board))))
    text = reader.pages[0].extract_text()
    assert "actual size" in text
    assert f"calib printed --size {board.name}" in text
    assert text.count("100 mm") == 2


@each
def test_pdf_is_vector_at_exact_scale(board):
    page = pypdf.PdfReader(io.BytesIO(page_pdf(board_page(board)))).pages[0]
    assert "/XObject" not in page["/Resources"]
    stream = page.get_contents().get_data().decode("latin-1")
    rectangles = re.findall(r"([-\d.]+) ([-\d.]+) ([-\d.]+) ([-\d.]+) re", stream)
    sides = np.array(rectangles, dtype=float)[:, 2:] * POINT_MM
    chequers = np.all(np.abs(sides - board.square_mm) < 1e-4, axis=1)
    assert chequers.sum() == board.black.sum()


@each
def test_picture_has_the_sheet_size_the_chequers_and_true_bars(board):
    dpi = 300
    grey = page_picture(board_page(board), dpi)
    scale = dpi / 25.4
    assert grey.shape[::-1] == pytest.approx(np.array(board.sheet_mm) * scale, abs=0.5)
    row, column = np.nonzero(board.squares)
    middle = board.place_mm(column + 0.5, row + 0.5)
    edge = board.place_mm(column + 0.08, row + 0.5)
    for places in (middle, edge):
        x = ((places[:, 0] + board.sheet_mm[0] / 2) * scale).astype(int)
        y = ((board.sheet_mm[1] / 2 - places[:, 1]) * scale).astype(int)
        dark = board.black[row, column]
        assert np.all(grey[y, x][dark] == 0)
        if places is edge:
            assert np.all(grey[y, x][~dark] == 255)
    assert bars_mm(grey, board, dpi) == pytest.approx([BAR_MM, BAR_MM], abs=0.02)


@each
def test_nothing_is_printed_off_the_sheet_or_over_the_chequers(board):
    page = board_page(board)
    sheet = np.array(page.sheet_mm)
    for x, y, width, height in (*page.black, *page.grey):
        assert np.all(np.abs([x, x + width]) <= sheet[0] / 2 - 4.9)
        assert np.all(np.abs([y, y + height]) <= sheet[1] / 2 - 4.9)
    grey_part = page_picture(type(page)(page.sheet_mm, (), page.grey, page.words, page.title), 150)
    black_part = page_picture(type(page)(page.sheet_mm, page.black, (), (), page.title), 150)
    assert not np.any((grey_part < 200) & (black_part < 200))
    rows, columns = np.nonzero(grey_part < 200)
    inside = np.stack([columns, rows], axis=1) / (150 / 25.4) - sheet / 2
    frame = np.array(board.size_mm) / 2
    if board.window_mm is not None:
        # Bars and words keep to the window's rim: 8 mm on two sides, the rest is free.
        assert np.all(np.all(np.abs(inside) < frame, axis=1))
        assert np.all(
            (inside[:, 0] < -board.window_mm[0] / 2 + 8)
            | (inside[:, 1] > board.window_mm[1] / 2 - 8)
        )
    else:
        assert np.all(np.any(np.abs(inside) > frame, axis=1))


def test_png_says_its_resolution():
    png = picture_png(page_picture(board_page(BOARDS["pocket"]), 150), 150)
    picture = Image.open(io.BytesIO(png))
    assert picture.info["dpi"] == pytest.approx((150, 150), abs=0.02)
    assert picture.size == (round(297 * 150 / 25.4), round(210 * 150 / 25.4))


@each
def test_pdf_as_another_program_draws_it_has_true_bars_and_the_same_chequers(board):
    dpi = 254  # ten pixels in a millimetre: every page is a whole number of them, less a hair
    with pdfium.PdfDocument(page_pdf(board_page(board))) as document:
        drawn = document[0].render(scale=(dpi - 1e-4) / 72.0, grayscale=True).to_numpy().copy()
    assert bars_mm(drawn, board, dpi) == pytest.approx([BAR_MM, BAR_MM], abs=0.03)
    own = page_picture(board_page(board), dpi)
    height, width = np.minimum(drawn.shape, own.shape)
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    place = np.abs(np.stack([x, y], axis=-1) + 0.5 - np.array([width, height]) / 2) * 25.4 / dpi
    frame = np.all(place < np.array(board.size_mm) / 2, axis=-1)
    if board.window_mm is not None:
        frame &= ~np.all(place < np.array(board.window_mm) / 2, axis=-1)
    differ = np.abs(drawn[:height, :width].astype(int) - own[:height, :width]) > 128
    assert differ[frame].mean() < 1e-4
