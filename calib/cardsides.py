"""The four sides of a card, from a coarse outline to points that a view can be fitted to."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.lens import Lens
from calib.rectangle import corners_of, is_convex
from calib.sidechoice import SideChoice, choose_edge
from calib.sidefit import SCAN_OFFSETS_PX, SideFit, fit_side, unseen
from calib.sidescan import SideScan, aligned, run_of, scan_side, without_print
from calib.sight import SIDE_NORMALS, SideSight
from calib.view import VIEW_SIZE, View

__all__ = [
    "FREE_PX",
    "NOT_SEEN",
    "SEEN_AT_ALL",
    "UNSURE_PX",
    "FoundSides",
    "Sought",
    "across_px",
    "corners_beside",
    "find_sides",
    "outward_sides",
    "side_from",
    "sides_sight",
    "where_sides_meet",
    "with_lean_doubted",
]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

COARSE_LINES, FINE_LINES = 32, 40
SHADOW_MM = 1.7
"""How far out the border of a card's own shadow lies: 0.76 mm thick, light 25 degrees up."""
BORDERED_SIDES = 3
"""A border runs along all sides; one of them may be in shadow."""
BORDER_MM = 2.5
"""How wide a border printed on a card may be, the inner edge of which was taken for the card's."""
COARSE_PX = 2.2
"""How far off a coarse side may be, in pixels of the small picture."""
LONGEST_REACH = 40
SEEN_AT_ALL = 0.4
"""Share of scan lines that must show one straight edge."""
TOGETHER, ROUGH_PX = 2.0, 0.25
"""Points on a side share weave, shadow and model: how it leans is known so much worse than their
scatter says, the more so where they scatter by this and more (measured on rendered photos)."""
POINT_FLOOR_PX = 0.04
"""Least standard deviation of a point on a side: blocks of JPEG, wear of the card's edge."""
SIDE_BIAS_SD_PX = 0.22
"""What a whole side may be off by what no kind of edge describes: sharpening, a rounded rim."""
WALL_DOUBT = 0.3
THREE_DOUBT = 1.35
"""Where a side is hidden the other three must be believed: none contradicts one that was misread.
Of 1225 sides of rendered cards the normalised errors were so large, root mean square."""
UNSURE_PX = 1.2
FREE_PX = 25.0
"""How far off a side may lie of which the photo says nothing."""
NOT_SEEN = SideChoice(0.0, 0.0, 0.0, 0.0, 0.0)
"""What stands for the choice of an edge where none is looked for."""

# Sides in the order of `SIDE_NORMALS`: right, top, left, bottom; corners are -+, ++, +-, --.
_FROM_CORNER = (1, 0, 3, 2)
_AS_CORNERS = (1, 0, 3, 2)


@dataclass(frozen=True, slots=True)
class Sought:
    """A photo and the rectangle sought in it.

    Attributes
    ----------
    bgr, to_linear : (H, W, 3) photo and its (256,) table to linear light.
    lens : prior of the lens.
    size_mm, size_sd_mm : (width, height) of the rectangle and their standard deviations.
    thickness_mm, corner_radius_mm : of the rectangle.
    step : pixels of the photo to one of the picture that coarse outlines come from.
    """

    bgr: NDArray[np.uint8]
    to_linear: Float32Array
    lens: Lens
    size_mm: tuple[float, float]
    size_sd_mm: tuple[float, float]
    thickness_mm: float
    corner_radius_mm: float
    step: int

    @property
    def inset(self) -> float:
        """Share of a short side that its round corners take, and a little more."""
        return max(0.08, 1.6 * self.corner_radius_mm / min(self.size_mm))

    def corners_mm(self) -> FloatArray:
        """Return the sharp corners in the target frame, (4, 3)."""
        w, h = self.size_mm[0] / 2.0, self.size_mm[1] / 2.0
        return np.array([[-w, h, 0.0], [w, h, 0.0], [w, -h, 0.0], [-w, -h, 0.0]])

    def pose(self, quad: FloatArray) -> View:
        """Return the view that four corners (4, 2) give with the lens as assumed."""
        f, (cx, cy) = self.lens.focal_px, self.lens.centre_px
        camera = np.array([[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]])
        _, r, t = cv2.solvePnP(self.corners_mm(), quad, camera, None, flags=cv2.SOLVEPNP_IPPE)
        no_covariance = np.zeros((VIEW_SIZE, VIEW_SIZE))
        rotation, shift = (np.asarray(v, dtype=np.float64).ravel() for v in (r, t))
        return View(self.lens, rotation, shift, no_covariance)


@dataclass(frozen=True, slots=True)
class FoundSides:
    """Sides of a rectangle, each in the order of `SIDE_NORMALS`.

    Attributes
    ----------
    corners_px : (4, 2) where the sides meet.
    fits : of the four sides.
    choices : what edges run beside each of them.
    wall_px : (4,) width of wall seen; 0 where a side looks away.
    hidden : the side that is not to be seen, if one is not; it has no points.
    """

    corners_px: FloatArray
    fits: tuple[SideFit, ...]
    choices: tuple[SideChoice, ...]
    wall_px: FloatArray
    hidden: int | None

    @property
    def share(self) -> float:
        """Least share of scan lines, over the sides, that lie on the side."""
        return min(fit.share for fit in self.fits)

    @property
    def bordered(self) -> bool:
        """Whether something is printed along most sides."""
        return sum(choice.print_px > 0.0 for choice in self.choices) >= BORDERED_SIDES

    @property
    def unsure(self) -> bool:
        """Whether a side may be one of several edges that run beside each other."""
        return max(choice.sd_px for choice in self.choices) > UNSURE_PX


def find_sides(
    sought: Sought,
    quad: FloatArray,
    expected: tuple[FloatArray, FloatArray] | None = None,
    hidden: int | None = None,
    printed: bool = False,
) -> FoundSides | None:
    """Return the sides near a coarse outline; None if they are not to be seen as straight ones.

    Parameters
    ----------
    sought : photo and rectangle.
    quad : (4, 2) corners at (-,+), (+,+), (+,-), (-,-) of the target frame.
    expected : how far outside of `quad`, px, each side is expected, (4,), and the standard
        deviations, (4,), if the fit of a view before has told.
    hidden : the side that is not looked for, in the order of `SIDE_NORMALS`: it is where `quad`
        has it.
    printed : whether something may be printed along the sides.
    """
    across, walls = _across(sought, quad)
    if not np.isfinite(across).all():
        # Corners behind the phone, or on one line: no outline of anything.
        return None
    beyond = SHADOW_MM + (BORDER_MM if printed else 0.0)
    choices: list[SideChoice] = []
    starts, ends = np.empty((4, 2)), np.empty((4, 2))
    for i, (a, b) in enumerate(outward_sides(quad)):
        if i == hidden:
            choices.append(NOT_SEEN)
            starts[i], ends[i] = a, b
            continue
        scan = _wide_scan(sought, a, b, beyond * float(across[i]))
        _, rise, seen = run_of(scan)
        if seen < SEEN_AT_ALL:
            return None
        told = None if expected is None else (float(expected[0][i]), float(expected[1][i]))
        wall = float(walls[i])
        choice = choose_edge(aligned(scan, rise), scan.offsets_px, wall, told, printed)
        choices.append(choice)
        ends_px = choice.offset_px + 0.5 * rise * np.array([-1.0, 1.0])
        starts[i], ends[i] = a + ends_px[0] * scan.normal, b + ends_px[1] * scan.normal
    corners = where_sides_meet(starts, ends)
    if corners is None or not _inside(sought, corners):
        return None
    _, walls = _across(sought, corners)
    fits: list[SideFit] = []
    for i, (a, b) in enumerate(outward_sides(corners)):
        if i == hidden:
            fits.append(unseen(a, b))
            continue
        scan = scan_side(
            sought.bgr, sought.to_linear, a, b, SCAN_OFFSETS_PX, sought.inset, FINE_LINES
        )
        scan = without_print(scan, choices[i].print_px)
        fit = fit_side(scan, choices[i], float(walls[i]))
        if fit is None:
            return None
        fits.append(fit)
        starts[i], ends[i] = fit.line_px
    corners = where_sides_meet(starts, ends)
    if corners is None or not _inside(sought, corners):
        return None
    return FoundSides(corners, tuple(fits), tuple(choices), walls, hidden)


def sides_sight(sought: Sought, sides: FoundSides) -> SideSight:
    """Return the sides as observations, with what each may be off as a whole."""
    fits, choices = sides.fits, sides.choices
    doubt = np.array([fit.bias_sd_px for fit in fits])
    thin = WALL_DOUBT * sides.wall_px * np.exp(-((sides.wall_px / 1.8) ** 2))
    variance = doubt**2 + thin**2 + SIDE_BIAS_SD_PX**2
    bias = np.zeros(4)
    for i, choice in enumerate(choices):
        if choice.sd_px > UNSURE_PX:
            bias[i] = choice.offset_px - choice.mean_px
            variance[i] += choice.sd_px**2
    if sides.hidden is not None:
        variance *= THREE_DOUBT**2
        variance[sides.hidden] = FREE_PX**2
    return SideSight(
        size_mm=np.array(sought.size_mm, dtype=np.float64),
        size_sd_mm=np.array(sought.size_sd_mm, dtype=np.float64),
        thickness_mm=sought.thickness_mm,
        points_px=np.concatenate([fit.points_px for fit in fits]),
        side=np.repeat(np.arange(4), [len(fit.points_px) for fit in fits]),
        sd_px=np.hypot(np.concatenate([fit.sd_px for fit in fits]), POINT_FLOOR_PX),
        bias_px=bias,
        bias_sd_px=np.sqrt(variance),
        corners_px=sides.corners_px,
    )


def with_lean_doubted(sight: SideSight) -> SideSight:
    """Return the sides as observations of a view: what their points get wrong together counts.

    To judge whether it is the rectangle sought, what each point says by itself is the sharper.
    """
    sd = sight.sd_px
    return replace(sight, sd_px=TOGETHER * sd * np.maximum(sd / ROUGH_PX, 1.0))


def outward_sides(quad: FloatArray) -> list[tuple[FloatArray, FloatArray]]:
    """Return start and end of each side, clockwise on screen, in the order of `SIDE_NORMALS`."""
    return [(quad[i], quad[(i + 1) % 4]) for i in _FROM_CORNER]


def side_from(corner: int) -> int:
    """Return the side, in the order of `SIDE_NORMALS`, that runs clockwise from a corner."""
    return _FROM_CORNER.index(corner)


def corners_beside(side: int) -> list[int]:
    """Return the corners where a side starts and ends, clockwise on screen."""
    return [_FROM_CORNER[side], (_FROM_CORNER[side] + 1) % 4]


def where_sides_meet(starts: FloatArray, ends: FloatArray) -> FloatArray | None:
    """Return the corners, (4, 2), where lines in the order of `SIDE_NORMALS` meet."""
    order = list(_AS_CORNERS)
    corners = corners_of(starts[order], ends[order])
    return corners if corners is not None and is_convex(corners) else None


def _inside(sought: Sought, corners: FloatArray) -> bool:
    height, width = sought.bgr.shape[:2]
    return bool(np.all(corners > -2.0) and np.all(corners < np.array([width, height]) + 1.0))


def across_px(sought: Sought, quad: FloatArray) -> FloatArray:
    """Return how many pixels a millimetre is across each side of a quad (4, 2), (4,)."""
    return _across(sought, quad)[0]


def _across(sought: Sought, quad: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return pixels to a millimetre across each side, and how many of wall it shows, (4,) each."""
    view = sought.pose(quad)
    half = 0.5 * np.array([*sought.size_mm, *sought.size_mm])
    middle = np.column_stack([half[:, None] * SIDE_NORMALS, np.zeros(4)])
    out = np.column_stack([0.1 * SIDE_NORMALS, np.zeros(4)])
    at = view.to_pixels(middle)
    tenth = view.to_pixels(middle + out) - at
    below = view.to_pixels(middle - [0.0, 0.0, sought.thickness_mm]) - at
    ends = np.array([b - a for a, b in outward_sides(quad)])
    normal = np.column_stack([ends[:, 1], -ends[:, 0]])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    across = 10.0 * np.abs(np.sum(tenth * normal, axis=1))
    return across, np.maximum(np.sum(below * normal, axis=1), 0.0)


def _wide_scan(sought: Sought, a: FloatArray, b: FloatArray, beyond_px: float) -> SideScan:
    reach = COARSE_PX * sought.step + beyond_px
    pixel = max(1.0, reach / LONGEST_REACH)
    count = int(np.ceil(reach / pixel))
    offsets = pixel * np.arange(-count, count + 1, dtype=np.float64)
    return scan_side(sought.bgr, sought.to_linear, a, b, offsets, sought.inset, COARSE_LINES)
