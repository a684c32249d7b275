"""A photo of a flat scale drawing to a profile: the steps, in order."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.finding import FoundTarget, find_target, linear_table
from calib.lens import Lens
from calib.photo import Photo
from calib.printed import PrintScale
from calib.refusal import Notice, RefusalError
from calib.targets import parse_target
from calib.view import View
from measure.boxcheck import check_box
from measure.drawingaxis import AxisGuess, robust_line
from measure.drawingfind import axis_through, find_outline
from measure.drawingink import ink_of
from measure.drawingline import LinePoints, line_points
from measure.drawingpath import FULL, HALF, Path, Reading
from measure.drawingrequest import EDGE, DrawingRequest
from measure.drawingrows import STEEPEST, Rows, rows_of
from measure.drawingside import Side, measure_side
from measure.drawingsides import LOPSIDED_MM, unlike, worst_difference
from measure.drawingtemplate import find_template
from measure.drawingu95 import Spreads, row_spreads
from measure.profile import Profile
from measure.progress import Progress, quiet
from measure.result import END, LeftOut, TraceResult
from measure.sheetimage import SheetImage, rectify
from measure.startend import starts_far
from measure.trace import prior_lens

__all__ = ["Drawing", "measure_drawing"]

FloatArray = NDArray[np.float64]

SETUP = "sheet"
FOUND_LEAST = 0.85
MOST_UNEVEN = 0.03
"""A line has the same paper on both sides: lighter by no more, a logarithm. Light that falls off
over a sheet changes by a third of this in the breadth that is looked at."""
CENTRE_ROUNDS, CENTRE_STILL_MM = 6, 0.02
CENTRE_ON_MM, CENTRE_SHARE = 0.15, 0.6


@dataclass(frozen=True, slots=True)
class Drawing:
    """What a drawing gave.

    Attributes
    ----------
    result : profile and picture points, as a trace has them; `setup` is "sheet".
    what, profile, times : as in the request; the profile as found.
    asymmetry_mm : (n,) radius of the upper side less that of the lower one, true size; empty
        for a half profile.
    asymmetry_z_mm : (n,) where.
    line_mm : how wide the outline is drawn.
    axis_drawn : whether a line is drawn there.
    """

    result: TraceResult
    what: str
    profile: str
    times: float
    asymmetry_mm: FloatArray
    asymmetry_z_mm: FloatArray
    line_mm: float
    axis_drawn: bool

    @property
    def worst_asymmetry(self) -> tuple[float, float]:
        """(z, upper less lower radius) where the sides differ most; (0, 0) for a half profile."""
        if not len(self.asymmetry_mm):
            return 0.0, 0.0
        k = worst_difference(self.asymmetry_mm, self.times)
        return float(self.asymmetry_z_mm[k]), float(self.asymmetry_mm[k])


@dataclass(frozen=True, slots=True)
class _Sheet:
    photo: Photo
    view: View
    height_mm: float

    def find(self, points: FloatArray, normals: FloatArray, along_mm: float) -> LinePoints:
        return line_points(
            self.photo.bgr,
            linear_table(),
            self.view,
            self.height_mm,
            points,
            normals,
            along_mm,
        )


def measure_drawing(
    photo: Photo,
    request: DrawingRequest,
    progress: Progress = quiet,
    lens: Lens | None = None,
    scale: PrintScale | None = None,
) -> Drawing:
    """Return the profile that a drawing or a template shows.

    Raises
    ------
    RefusalError
        `no-drawing`, `no-outline`, `no-centre-line`, `centre-line-unclear`, and those of the
        target.
    """
    check_box(photo.size_px, request.box_px, photo.name)
    progress("Looking for the card")
    prior = prior_lens(photo) if lens is None else lens
    found = find_target(photo, prior, parse_target(request.target), scale)
    height = request.height_mm - found.thickness_mm
    sheet = _Sheet(photo, found.view, height)
    progress("Looking for the outline")
    card = found.view.on_plane(found.polygon_px, height)
    image = _boxed(rectify(photo.bgr, found.view, height), found.view, request)
    if request.what == EDGE:
        reading, _, sides = find_template(photo.bgr, found.view, image, card, request.profile)
        centre = None
    else:
        reading, paths = find_outline(ink_of(image, card), request.profile)
        progress("Following the line")
        centre = _drawn_centre(sheet, reading)
        reading, sides = _measured(sheet, reading, paths)
    return _drawing(photo, request, found, sheet, reading, sides, centre)


def _boxed(image: SheetImage, view: View, request: DrawingRequest) -> SheetImage:
    if request.box_px is None:
        return image
    rows, columns = np.mgrid[0 : image.seen.shape[0], 0 : image.seen.shape[1]]
    on = image.to_mm(np.stack([columns, rows], axis=-1))
    px = view.to_pixels(np.concatenate([on, np.full_like(on[..., :1], image.height_mm)], axis=-1))
    x, y, w, h = request.box_px
    inside = (px[..., 0] >= x) & (px[..., 0] <= x + w) & (px[..., 1] >= y) & (px[..., 1] <= y + h)
    return replace(image, seen=image.seen & inside)


def _measured(
    sheet: _Sheet, reading: Reading, paths: tuple[Path, ...]
) -> tuple[Reading, tuple[Side, ...]]:
    """Follow the line to a fraction of a pixel, and put the axis where the line says.

    Raises
    ------
    RefusalError
        `no-outline`, `no-drawing`.
    """
    axis = reading.axis
    signs = (1, -1) if reading.profile == FULL else (reading.side,)
    try:
        if reading.profile == HALF:
            axis = _centre_line(sheet, reading)
            paths = tuple(
                _moved(path, reading.axis, axis, s) for path, s in zip(paths, signs, strict=True)
            )
        sides = tuple(
            measure_side(axis, sign, path, sheet.find)
            for sign, path in zip(signs, paths, strict=True)
        )
        if reading.profile == FULL:
            slope, shift = _middle_of(sides)
            middle = axis_through(axis, slope, shift)
            paths = tuple(
                _moved(path, axis, middle, sign) for path, sign in zip(paths, signs, strict=True)
            )
            axis = middle
            sides = tuple(
                measure_side(axis, sign, path, sheet.find)
                for sign, path in zip(signs, paths, strict=True)
            )
    except ValueError:
        raise RefusalError(
            "no-outline",
            "The outline of the drawing is too faint or too broken to be followed.",
            "Draw it over with a firm, dark pencil, or light the sheet more evenly.",
        ) from None
    if max(side.uneven for side in sides) > MOST_UNEVEN:
        raise RefusalError(
            "no-drawing",
            "What looks like the outline is no line on paper: the ground differs on its two sides.",
            "Lay the card on the sheet beside the drawing. Of a turned piece: measure trace PHOTO.",
        )
    return replace(reading, axis=axis), sides


def _drawn_centre(sheet: _Sheet, reading: Reading) -> AxisGuess | None:
    """Return the centre line of a full profile if one is drawn: its sides are held against it."""
    if reading.profile == HALF or not reading.axis.drawn:
        return None
    try:
        return _centre_line(sheet, reading)
    except ValueError:
        return None


def _off_centre(axis: AxisGuess, centre: AxisGuess | None, along_mm: FloatArray) -> FloatArray:
    """Return how far the drawn centre line lies to the left of the axis, (n,), mm; 0 for none."""
    if centre is None:
        return np.zeros_like(along_mm)
    slope = float(centre.direction @ axis.normal) / float(centre.direction @ axis.direction)
    off = centre.point_mm - axis.point_mm
    shift, at = float(off @ axis.normal), float(off @ axis.direction)
    return np.asarray(shift + slope * (along_mm - at))


def _centre_line(sheet: _Sheet, reading: Reading) -> AxisGuess:
    """Return the drawn centre line, fitted to the photo.

    The rough line may be askew where words stand on it: the fit is done again about itself until
    it holds, and most of what is found must lie on it.

    Raises
    ------
    ValueError
        If it is not found, or cannot be told from what stands near it.
    """
    axis = reading.axis
    low = max(axis.from_mm, reading.path.z_mm[0] - 15.0)
    high = min(axis.to_mm, reading.path.z_mm[-1] + 15.0)
    z = np.arange(low, high, 0.4)
    for _ in range(CENTRE_ROUNDS):
        points = axis.point_mm + z[:, None] * axis.direction
        found = sheet.find(points, np.broadcast_to(axis.normal, points.shape), 0.3)
        across = (found.points_mm - axis.point_mm) @ axis.normal
        use = found.good & (np.abs(across) < 0.6)
        if np.count_nonzero(use) < 20:
            raise ValueError("too little of the centre line is found")
        slope, shift = robust_line(z[use], across[use])
        axis = axis_through(axis, slope, shift)
        if abs(slope) * (high - low) < CENTRE_STILL_MM:
            break
    off = np.abs(across[use] - slope * z[use] - shift)
    if np.mean(off < CENTRE_ON_MM) < CENTRE_SHARE:
        raise ValueError("the centre line cannot be told from what stands near it")
    return axis


def _middle_of(sides: tuple[Side, ...]) -> tuple[float, float]:
    curves = [
        (
            np.concatenate([s.z_mm for s in side.stretches]),
            np.concatenate([s.r_mm for s in side.stretches]),
        )
        for side in sides
    ]
    (za, ra), (zb, rb) = curves
    z = np.arange(max(za[0], zb[0]), min(za[-1], zb[-1]), 0.25)
    offset = 0.5 * (np.interp(z, za, ra) - np.interp(z, zb, rb))
    return robust_line(z, offset)


def _moved(path: Path, old: AxisGuess, new: AxisGuess, sign: int) -> Path:
    """Return a path counted from another axis close to the old one."""
    points = (
        old.point_mm + path.z_mm[:, None] * old.direction + sign * path.r_mm[:, None] * old.normal
    ) - new.point_mm
    z, r = points @ new.direction, sign * (points @ new.normal)
    return replace(path, z_mm=path.z_mm + float(np.median(z - path.z_mm)), r_mm=np.maximum(r, 0.0))


def _drawing(
    photo: Photo,
    request: DrawingRequest,
    found: FoundTarget,
    sheet: _Sheet,
    reading: Reading,
    sides: tuple[Side, ...],
    centre: AxisGuess | None,
) -> Drawing:
    axis, times = reading.axis, request.times
    ends = np.array([np.mean([s.shoulders_mm[k] for s in sides]) for k in (0, -1)])
    on_sheet = axis.point_mm + ends[:, None] * axis.direction
    lifted = np.column_stack([on_sheet, np.full(2, sheet.height_mm)])
    ends_px = found.view.to_pixels(lifted)
    flip = starts_far(ends_px, request.start)
    rows = rows_of(sides, flip, times)
    if len(rows.z_mm) < 8:
        raise RefusalError(
            "no-outline",
            "Too little of the outline of the drawing is found.",
            "Draw it over with a firm, dark pencil, or light the sheet more evenly.",
        )
    signs = (1, -1) if reading.profile == FULL else (reading.side,)
    spread = row_spreads(sheet.view, sheet.height_mm, axis, signs, rows, ends, flip)
    profile = _on_grid(rows, spread, times)
    along = ends[1] - rows.z_mm if flip else ends[0] + rows.z_mm
    differ = rows.radii_mm[:, 0] - rows.radii_mm[:, -1] - 2.0 * _off_centre(axis, centre, along)
    calm = rows.calm
    both = times * differ[calm] if len(sides) == 2 else np.zeros(0)
    _refuse_unlike(both, rows, times)
    z_px = np.concatenate([side.points_z_mm for side in sides])
    outline_z = ends[1] - z_px if flip else z_px - ends[0]
    px_per_mm = float(np.linalg.norm(ends_px[1] - ends_px[0]) / max(ends[1] - ends[0], 1e-6))
    result = TraceResult(
        photo_name=photo.name,
        setup=SETUP,
        scale_from=found.scale_from,
        lens_from=found.view.lens.source,
        z_zero=END,
        length_mm=times * rows.length_mm,
        length_u95_mm=times * 1.96 * spread.length_sd_mm,
        profile=profile,
        notices=(
            *photo.notices,
            *found.notices,
            *_notices(sides, rows, both, times),
        ),
        left_out=tuple(LeftOut(times * a, times * b, "no line found") for a, b in rows.missing),
        outline_px=np.concatenate([side.points_px for side in sides]),
        outline_z_mm=times * outline_z,
        axis_px=ends_px[::-1] if flip else ends_px,
        target_px=found.polygon_px,
        target_is_board=found.is_board,
        tilt_deg=float(np.degrees(np.arccos(np.clip(abs(found.view.rotation[2, 2]), 0.0, 1.0)))),
        px_per_mm=px_per_mm / times,
        kind="drawing",
    )
    return Drawing(
        result=result,
        what=request.what,
        profile=reading.profile,
        times=times,
        asymmetry_mm=both,
        asymmetry_z_mm=times * rows.z_mm[calm] if len(sides) == 2 else np.zeros(0),
        line_mm=float(np.mean([side.width_mm for side in sides])),
        axis_drawn=axis.drawn,
    )


def _on_grid(rows: Rows, spread: Spreads, times: float) -> Profile:
    """Return the profile at true size; on a slope a place that is off costs diameter."""
    slid = 2.0 * np.minimum(rows.slope, STEEPEST) * spread.place_sd_mm
    unsure = [times * 1.96 * sd for sd in (spread.sd_mm, spread.common_mm, slid)]
    return Profile(times * rows.z_mm, times * 2.0 * rows.radii_mm.mean(axis=1), *unsure)


def _refuse_unlike(differ_mm: FloatArray, rows: Rows, times: float) -> None:
    u95 = 1.96 * times * np.sqrt(2.0 * len(rows.radii_mm[0])) * float(np.median(rows.sd_mm))
    largest = times * float(np.max(rows.radii_mm.mean(axis=1)))
    if unlike(differ_mm, u95, largest, times):
        worst = abs(float(differ_mm[worst_difference(differ_mm, times)]))
        raise RefusalError(
            "drawing-lopsided",
            f"The two sides differ by up to {worst:.1f} mm from the middle, where the largest is "
            f"{largest:.1f}: no flat outline of a turned shape.",
            "Of a turned piece: measure trace PHOTO. Else draw or cut both sides alike, or half.",
        )


def _notices(
    sides: tuple[Side, ...], rows: Rows, differ_mm: FloatArray, times: float
) -> list[Notice]:
    notices = []
    worst = 0.0
    if len(differ_mm):
        worst = abs(float(differ_mm[worst_difference(differ_mm, times)]))
    if worst > LOPSIDED_MM * times:
        notices.append(
            Notice(
                "drawing-lopsided",
                f"The two sides of the drawing differ by up to {worst:.1f} mm; their mean was "
                "taken.",
                "Look at the report for the place. Correct the drawing if one side is meant.",
            )
        )
    if not all(all(side.ends_seen) for side in sides):
        notices.append(
            Notice(
                "end-open",
                "An end of the drawing is not closed by a line; its length is unsure there.",
                "Draw a line square to the centre line at that end.",
            )
        )
    if min(side.found for side in sides) < FOUND_LEAST or rows.missing:
        notices.append(
            Notice(
                "line-faint",
                "The outline is faint or broken in places.",
                "Look at the picture; draw the line over there if it was not followed.",
            )
        )
    return notices
