"""Scan lines across one side of a card, and how the side runs through them.

A side found at low resolution may be a few pixels off and turned a little, and it may be the
border of the card's shadow instead, which runs beside it. All scan lines vote together on how
what is seen there runs; which of the parallel edges is the card's own is judged afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.edges import sample_lines

__all__ = ["SideScan", "aligned", "run_of", "scan_side", "without_print"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

TURN_MOST = 0.02
"""Most that a coarse side is turned, as a fraction of its length."""
FAINT = 0.01
"""Steps in the square root of light below this are noise in any photo."""
PRINT_SOFT_PX = 2.5
"""Blur reaches so far from a printed edge."""


@dataclass(frozen=True, slots=True)
class SideScan:
    """Light along scan lines across one side.

    Attributes
    ----------
    start_px, end_px : (2,) ends of the side as assumed, pixels.
    normal : (2,) unit, outward.
    share : (n,) where each line crosses the side: 0 at the start, 1 at the end.
    offsets_px : (m,) positions along a line, outward, evenly spaced.
    light : (n, m, 3) float32, linear.
    """

    start_px: FloatArray
    end_px: FloatArray
    normal: FloatArray
    share: FloatArray
    offsets_px: FloatArray
    light: Float32Array

    def points_px(self, offset_px: FloatArray) -> FloatArray:
        """Return the points (n, 2) at given offsets (n,) along the lines."""
        middle = self.start_px + self.share[:, None] * (self.end_px - self.start_px)
        return np.asarray(middle + offset_px[:, None] * self.normal)


def scan_side(
    bgr: NDArray[np.uint8],
    to_linear: Float32Array,
    start_px: FloatArray,
    end_px: FloatArray,
    offsets_px: FloatArray,
    inset: float,
    lines: int,
) -> SideScan:
    """Scan a side that runs clockwise on screen from start to end.

    Parameters
    ----------
    bgr, to_linear : (H, W, 3) photo and its (256,) table to linear light.
    start_px, end_px : (2,) corners.
    offsets_px : (m,) positions along the scan lines.
    inset : share of the side left out at both ends, where the corners are round.
    lines : how many scan lines.
    """
    length = float(np.linalg.norm(end_px - start_px))
    along = (end_px - start_px) / length
    normal = np.array([along[1], -along[0]])
    share = np.linspace(inset, 1.0 - inset, lines)
    middle = start_px + share[:, None] * (end_px - start_px)
    spacing = min(length * (1.0 - 2.0 * inset) / lines, 12.0)
    beside = np.array([-0.35, -0.12, 0.12, 0.35]) * spacing
    normals = np.broadcast_to(normal, middle.shape)
    light = sample_lines(bgr, middle, normals, offsets_px, beside, to_linear)
    return SideScan(start_px, end_px, normal, share, offsets_px, light)


def run_of(scan: SideScan) -> tuple[float, float, float]:
    """Return offset in the middle, rise from start to end, px, and strength of the best run.

    The strength is the share of scan lines, 0 to 1, that show an edge where the run crosses them.
    """
    root = np.sqrt(scan.light)
    sums = np.cumsum(np.pad(root, ((0, 0), (1, 0), (0, 0))), axis=1, dtype=np.float64)
    width = 3
    means = (sums[:, width:] - sums[:, :-width]) / width
    # The three samples beyond a place against the three before it.
    steps = np.sum((means[:, width + 1 :] - means[:, : -width - 1]) ** 2, axis=2)
    noise = 4.0 * float(np.median(steps)) + FAINT**2
    seen = steps / (steps + noise)
    n, m = seen.shape
    pixel = float(scan.offsets_px[1] - scan.offsets_px[0])
    length = float(np.linalg.norm(scan.end_px - scan.start_px))
    most = max(1, round(TURN_MOST * length / pixel))
    rises = np.arange(-most, most + 1)
    shift = np.rint(rises[:, None] * (scan.share - 0.5)).astype(np.int64)  # (j, n)
    at = np.clip(shift[:, :, None] + np.arange(m), 0, m - 1)
    total = seen[np.arange(n)[None, :, None], at].mean(axis=1)  # (j, m)
    j, k = np.unravel_index(int(total.argmax()), total.shape)
    # `seen` starts at sample `width` of the scan.
    offset = float(scan.offsets_px[0]) + pixel * (int(k) + width)
    return offset, float(rises[j]) * pixel, float(total[j, k])


def aligned(scan: SideScan, rise_px: float) -> Float32Array:
    """Return the light (n, m, 3) with every line shifted so that the run keeps one offset."""
    pixel = float(scan.offsets_px[1] - scan.offsets_px[0])
    n, m, _ = scan.light.shape
    place = np.arange(m) + (rise_px * (scan.share - 0.5) / pixel)[:, None]
    place = np.clip(place, 0.0, m - 1.001)
    low = place.astype(np.int64)
    part = (place - low).astype(np.float32)[..., None]
    rows = np.arange(n)[:, None]
    return np.asarray(scan.light[rows, low] * (1 - part) + scan.light[rows, low + 1] * part)


def without_print(scan: SideScan, print_px: float) -> SideScan:
    """Return a scan about a side with what is printed so far inside it and beyond left out.

    The tone of the border takes its place.
    """
    if print_px <= 0.0:
        return scan
    place = int(np.searchsorted(scan.offsets_px, PRINT_SOFT_PX - print_px))
    if not 0 < place < int(np.searchsorted(scan.offsets_px, 0.0)):
        return scan
    light = scan.light.copy()
    light[:, :place] = light[:, place : place + 1]
    return replace(scan, light=light)
