"""The printable page of a board: as a vector PDF at exact scale, or as a picture.

Both draw the same `Page`: rectangles and lines of text in millimetres, origin at the middle of
the sheet, X right, Y up.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.board import MARK_MODULES, MARK_RATIO, Board, mark_bits

__all__ = ["BAR_MM", "Page", "Words", "board_page", "page_pdf", "page_picture", "picture_png"]

FloatArray = NDArray[np.float64]

BAR_MM = 100.0
"""Length of each check bar, between the middles of its end lines."""
LINE_MM = 0.2
TICK_MM = 3.0
GREY = 0.45
POINT_MM = 25.4 / 72.0

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text: its left end on the baseline, mm, and its size in points."""

    text: str
    x_mm: float
    y_mm: float
    points: float
    upright: bool = False


@dataclass(frozen=True, slots=True)
class Page:
    """What is printed.

    Attributes
    ----------
    sheet_mm : (width, height) of the sheet.
    black, grey : rectangles (left, bottom, width, height), mm; those of one colour never overlap.
    words : lines of text, black.
    title : what the file is called by a viewer.
    """

    sheet_mm: tuple[float, float]
    black: tuple[Box, ...]
    grey: tuple[Box, ...]
    words: tuple[Words, ...]
    title: str


def board_page(board: Board) -> Page:
    """Lay out the page of a board: chequers, marks, check bars, what to do."""
    black = tuple(_square_boxes(board) + _mark_boxes(board))
    if board.window_mm is not None:
        grey, words = _window_notes(board, board.window_mm)
    else:
        grey, words = _sheet_notes(board)
    return Page(board.sheet_mm, black, tuple(grey), tuple(words), f"Measuring board {board.name}")


def _square_boxes(board: Board) -> list[Box]:
    row, column = np.nonzero(board.black)
    corners = board.place_mm(column.astype(float), row + 1.0)
    side = board.square_mm
    return [(float(x), float(y), side, side) for x, y in corners]


def _mark_boxes(board: Board) -> list[Box]:
    """Return the black modules of the marks, each run along a row as one rectangle."""
    boxes: list[Box] = []
    module = MARK_RATIO * board.square_mm / MARK_MODULES
    for mark_id, corners in zip(board.mark_ids, board.marks_mm, strict=True):
        left, top = corners[0]
        dark = ~mark_bits(int(mark_id))
        for row in range(MARK_MODULES):
            edges = np.flatnonzero(np.diff(np.r_[0, dark[row].astype(int), 0]))
            for start, stop in edges.reshape(-1, 2):
                x, y = left + start * module, top - (row + 1) * module
                boxes.append((float(x), float(y), float((stop - start) * module), module))
    return boxes


def _bar(x: float, y: float, upright: bool) -> list[Box]:
    """Return a bar from (x, y): a line, and end lines whose middles are 100 mm apart."""
    half = LINE_MM / 2.0
    boxes = [
        (x + half, y - half, BAR_MM - LINE_MM, LINE_MM),
        (x - half, y - TICK_MM / 2.0, LINE_MM, TICK_MM),
        (x + BAR_MM - half, y - TICK_MM / 2.0, LINE_MM, TICK_MM),
    ]
    if upright:
        boxes = [(x + b - y, y + a - x, d, c) for a, b, c, d in boxes]
    return boxes


def _steps(board: Board) -> list[str]:
    return [
        "Print at actual size (100 %), never 'fit to page'. Measure both bars between the "
        "middles of their end lines,",
        f"then type: calib printed --size {board.name} --bar-x MM --bar-y MM",
    ]


def _window_notes(board: Board, window: tuple[float, float]) -> tuple[list[Box], list[Words]]:
    """Put the bars and the text close along two sides of the window, out of the piece's way."""
    left, bottom = -window[0] / 2.0, -window[1] / 2.0
    grey = _bar(left + 8.0, bottom + 2.5, False) + _bar(left + 2.5, bottom + 8.0, True)
    x = left + 8.0 + BAR_MM + 3.0
    steps = _steps(board)
    words = [
        Words(steps[0], x, bottom + 4.4, 5.4),
        Words(steps[1], x, bottom + 1.6, 5.4),
        Words("X 100 mm", left + 8.0, bottom + 4.6, 5.5),
        Words("Y 100 mm", left + 5.9, bottom + 8.0 + 4.0, 5.5, True),
    ]
    return grey, words


def _sheet_notes(board: Board) -> tuple[list[Box], list[Words]]:
    """Put the bars and the text on the sheet outside the board, which is cut out."""
    width, height = board.page_mm
    left, bottom = -width / 2.0, -height / 2.0
    thin = LINE_MM / 2.0
    cut = [
        (left, bottom - thin, width, thin),
        (left, -bottom, width, thin),
        (left - thin, bottom, thin, height),
        (-left, bottom, thin, height),
    ]
    grey = cut + _bar(left, bottom - 15.0, False) + _bar(left - 15.0, bottom, True)
    steps = [*_steps(board), "Then glue it flat on stiff card or thin ply and cut along the lines."]
    words = [Words(step, left, bottom - 24.0 - 5.0 * i, 8.0) for i, step in enumerate(steps)]
    words += [
        Words("X 100 mm", left + 3.0, bottom - 13.0, 7.0),
        Words("Y 100 mm", left - 17.0, bottom + 3.0, 7.0, True),
    ]
    return grey, words


def page_pdf(page: Page) -> bytes:
    """Return the page as PDF, with viewers told not to scale it (ISO 32000-1, table 150)."""
    from reportlab.pdfgen.canvas import Canvas

    stream = io.BytesIO()
    size = (page.sheet_mm[0] / POINT_MM, page.sheet_mm[1] / POINT_MM)
    canvas = Canvas(stream, pagesize=size, invariant=1)
    canvas.setTitle(page.title)
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.translate(size[0] / 2.0, size[1] / 2.0)
    for boxes, shade in ((page.black, 0.0), (page.grey, GREY)):
        # One path for all: rectangles painted one by one show seams where they touch.
        path = canvas.beginPath()
        for box in boxes:
            path.rect(*(v / POINT_MM for v in box))
        canvas.setFillGray(shade)
        canvas.drawPath(path, stroke=0, fill=1)
    canvas.setFillGray(0.0)
    for words in page.words:
        canvas.saveState()
        canvas.translate(words.x_mm / POINT_MM, words.y_mm / POINT_MM)
        canvas.rotate(90.0 if words.upright else 0.0)
        canvas.setFont("Helvetica", words.points)
        canvas.drawString(0.0, 0.0, words.text)
        canvas.restoreState()
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def page_picture(page: Page, dpi: float) -> NDArray[np.uint8]:
    """Return the page as a grey picture, shape (height, width), edges by exact coverage."""
    scale = dpi / 25.4
    width, height = (round(side * scale) for side in page.sheet_mm)
    ink = np.zeros((height, width), dtype=np.float32)
    for boxes, depth in ((page.black, 1.0), (page.grey, 1.0 - GREY)):
        for box in boxes:
            _add_box(ink, page, scale, box, depth)
    light = np.clip(1.0 - ink, 0.0, 1.0) * 255.0
    return _with_words(np.asarray(np.round(light), dtype=np.uint8), page, dpi)


def _add_box(ink: NDArray[np.float32], page: Page, scale: float, box: Box, depth: float) -> None:
    x, y, width, height = box
    left = (x + page.sheet_mm[0] / 2.0) * scale
    top = (page.sheet_mm[1] / 2.0 - y - height) * scale
    columns, across = _coverage(left, left + width * scale)
    rows, down = _coverage(top, top + height * scale)
    ink[rows, columns] += (depth * np.outer(down, across)).astype(np.float32)


def _coverage(start: float, stop: float) -> tuple[slice, FloatArray]:
    """Return which pixels an interval touches and how much of each it covers."""
    first, last = int(np.floor(start)), int(np.ceil(stop))
    edges = np.clip(np.arange(first, last + 1, dtype=np.float64), start, stop)
    return slice(first, last), np.diff(edges)


def _with_words(grey: NDArray[np.uint8], page: Page, dpi: float) -> NDArray[np.uint8]:
    from PIL import Image, ImageDraw, ImageFont

    scale = dpi / 25.4
    picture = Image.fromarray(grey)
    for words in page.words:
        font = ImageFont.load_default(max(1.0, words.points * dpi / 72.0))
        left, top, right, bottom = font.getbbox(words.text, anchor="ls")
        strip = Image.new("L", (int(right - left) + 2, int(bottom - top) + 2), 0)
        ImageDraw.Draw(strip).text((-left, -top), words.text, font=font, fill=255, anchor="ls")
        at_x = (words.x_mm + page.sheet_mm[0] / 2.0) * scale
        at_y = (page.sheet_mm[1] / 2.0 - words.y_mm) * scale
        if words.upright:
            strip = strip.rotate(90, expand=True)
            corner = (round(at_x + top), round(at_y - right))
        else:
            corner = (round(at_x + left), round(at_y + top))
        picture.paste(0, corner, strip)
    return np.asarray(picture, dtype=np.uint8)


def picture_png(grey: NDArray[np.uint8], dpi: float) -> bytes:
    """Return a grey picture as PNG that says its resolution."""
    from PIL import Image

    stream = io.BytesIO()
    Image.fromarray(grey).save(stream, "PNG", dpi=(dpi, dpi))
    return stream.getvalue()
