"""The piece in the photo, coarsely: which pixels it covers, its axis line, its mirrored outline."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.light import linear
from measure.band import Band, band_for, band_to_pixels, warp

__all__ = [
    "Scene",
    "Silhouette",
    "Zone",
    "plain_silhouettes",
    "prepare",
    "searched_silhouettes",
]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

FEATURE_SIDE_PX = 756
MASK_SIDE_PX = 288
LIGHT_WEIGHTS = (0.6, 0.12)
"""Weight of lightness in the two piece maps. A shadow differs from the bench in lightness alone,
so the second map leaves it out; grey pieces on grey benches need the first."""


LAB_WEIGHTS = np.array([0.7, 2.0, 2.0], dtype=np.float32)
STRONG_PERCENT = 97
LEAST_STRONG = 4.0


@dataclass(frozen=True, slots=True)
class Zone:
    """The window of a printed board, pixels of the photo.

    Attributes
    ----------
    search_px : (4, 2) polygon that the piece lies in, as seen: the page.
    bench_px : polygons (4, 2) of bare paper along the window's long sides.
    paper_px : polygons (4, 2) that are certainly not the piece.
    """

    search_px: FloatArray
    bench_px: tuple[FloatArray, ...]
    paper_px: tuple[FloatArray, ...] = ()


@dataclass(frozen=True, slots=True)
class Scene:
    """The photo reduced to what the coarse search needs.

    Attributes
    ----------
    features : (h, w, 6) float32: smoothed colour (3), a step of 1 being a strong edge; piece
        (+1) or not (-1); free of the target (1); seen (1), not outside the box.
    scale : feature pixels per photo pixel.
    maps : (h, w) rival piece maps, the first one being in `features`: all that is unlike the
        bench, and that without what may be the piece's own shadow.
    hints : more (h, w) piece maps that suggest axis lines, but judge nothing.
    """

    features: Float32Array
    scale: float
    maps: tuple[Float32Array, ...]
    hints: tuple[Float32Array, ...] = ()

    def to_photo(self, points: FloatArray) -> FloatArray:
        """Return photo pixels of feature pixels."""
        return np.asarray((points + 0.5) / self.scale - 0.5)

    def from_photo(self, points: FloatArray) -> FloatArray:
        """Return feature pixels of photo pixels."""
        return np.asarray((points + 0.5) * self.scale - 0.5)


@dataclass(frozen=True, slots=True)
class Silhouette:
    """A mirrored outline in a band.

    Attributes
    ----------
    band : over the feature picture of the scene.
    half : (rows,) half width in samples, 0 where there is no piece.
    score : mean evidence per row of the piece, 0 to about 1.
    symmetry : share of the rows whose two sides both show an edge.
    """

    band: Band
    half: FloatArray
    score: float
    symmetry: float

    def sides_px(self, scene: Scene) -> tuple[FloatArray, FloatArray]:
        """Return photo pixels (n, 2) of the two sides, in order along the axis."""
        rows = np.nonzero(self.half > 0)[0].astype(np.float64)
        half = self.half[self.half > 0]
        middle = float(self.band.half)
        return (
            scene.to_photo(band_to_pixels(self.band, middle + half, rows)),
            scene.to_photo(band_to_pixels(self.band, middle - half, rows)),
        )


def prepare(
    bgr: NDArray[np.uint8],
    covers_px: list[FloatArray],
    box_px: tuple[float, float, float, float] | None,
    zone: Zone | None = None,
) -> Scene:
    """Reduce the photo to colour and a rough map of what is piece.

    Parameters
    ----------
    bgr : (H, W, 3).
    covers_px : polygons (m, 2) that are certainly not the piece: the target.
    box_px : (x, y, w, h) that the piece is searched in, or None.
    zone : the window of a printed board, when that is the target.
    """
    height, width = bgr.shape[:2]
    scale = min(1.0, FEATURE_SIDE_PX / max(height, width))
    reduced = cv2.resize(bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    small = np.asarray(reduced, dtype=np.uint8)
    lab = np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2Lab), dtype=np.uint8)
    h, w = lab.shape[:2]
    cover = _filled(covers_px, (h, w), scale)
    cover = np.asarray(cv2.dilate(cover, np.ones((9, 9), np.uint8)), dtype=np.uint8)
    seen = np.ones((h, w), dtype=np.float32)
    if box_px is not None:
        x, y, bw, bh = box_px
        seen[:] = 0.0
        x0, y0 = max(int(x * scale), 0), max(int(y * scale), 0)
        seen[y0 : int((y + bh) * scale) + 1, x0 : int((x + bw) * scale) + 1] = 1.0
    bench: NDArray[np.bool_] | None = None
    if zone is not None:
        inside = _filled([zone.search_px], (h, w), scale)
        cover[inside == 0] = 1
        paper = _filled(list(zone.paper_px), (h, w), scale)
        cover[cv2.erode(paper, np.ones((3, 3), np.uint8)) > 0] = 1
        bench = _bare(lab, (_filled(list(zone.bench_px), (h, w), scale) > 0) & (cover == 0))
    by_weight = [_piece_map(lab, cover, seen, weight, bench) for weight in LIGHT_WEIGHTS]
    union = np.maximum(by_weight[0], by_weight[1])
    shadow = _shadow_like(small, union, cover)
    lit = np.where(shadow, -1.0, union).astype(np.float32)
    opened = cv2.morphologyEx(lit, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    lit = np.asarray(opened, dtype=np.float32)
    share = float(np.sum(lit > 0)) / max(float(np.sum(union > 0)), 1.0)
    core = _core(small, union, bench if bench is not None else union < 0)
    maps = [union]
    if 0.15 < share < 0.92:
        maps.append(lit)
    if core is not None:
        maps.append(core)
    smooth = cv2.GaussianBlur(lab.astype(np.float32), (0, 0), 1.5) * LAB_WEIGHTS
    step = np.linalg.norm(smooth[::2, 4::4] - smooth[::2, :-4:4], axis=2)
    strong = max(float(np.percentile(step, STRONG_PERCENT)), LEAST_STRONG)
    free = np.where(cover > 0, 0.0, seen)
    planes = [smooth / strong, union[..., None], free[..., None], seen[..., None]]
    return Scene(
        np.concatenate(planes, axis=2).astype(np.float32), scale, tuple(maps), tuple(by_weight[1:])
    )


def _bare(lab: NDArray[np.uint8], strips: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the lighter part of strips of paper: the piece, or its shadow, may lie on them."""
    if not strips.any():
        return strips
    usual = float(np.percentile(lab[..., 0][strips], 60))
    return np.asarray(strips & (lab[..., 0] > PAPER_LEAST * usual))


PAPER_LEAST = 0.85


def _filled(
    polygons_px: list[FloatArray], shape: tuple[int, int], scale: float
) -> NDArray[np.uint8]:
    mask = np.zeros(shape, dtype=np.uint8)
    for polygon in polygons_px:
        cv2.fillPoly(mask, [np.round((polygon + 0.5) * scale - 0.5).astype(np.int32)], 1)
    return mask


def _piece_map(
    lab: NDArray[np.uint8],
    cover: NDArray[np.uint8],
    seen: NDArray[np.float32],
    light_weight: float,
    bench: NDArray[np.bool_] | None,
) -> NDArray[np.float32]:
    """Return +1 where the picture looks like the piece, -1 where like the bench, shape (h, w).

    Colour models of bench and piece, started from the border of the picture and refined with a
    smoothness term [Rother2004]. Lightness counts less than colour, for the sake of shadows.
    """
    h, w = lab.shape[:2]
    scale = min(1.0, MASK_SIDE_PX / max(h, w))
    size = (max(round(w * scale), 8), max(round(h * scale), 8))
    small = cv2.resize(lab, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    covered = cv2.resize(cover, size, interpolation=cv2.INTER_NEAREST) > 0
    visible = cv2.resize(seen, size, interpolation=cv2.INTER_NEAREST) > 0
    feature = np.empty_like(small)
    feature[..., 0] = small[..., 0] * light_weight
    feature[..., 1:] = (small[..., 1:] - 128.0) * 1.6 + 128.0
    feature = np.clip(cv2.GaussianBlur(feature, (0, 0), 1.0), 0, 255)

    ring = cv2.erode(
        visible.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=6, borderValue=0
    )
    border = visible & (ring == 0) & ~covered
    boxed = not visible.all()
    if boxed:
        border &= ~_short_sides(visible)
    if bench is not None:
        border = cv2.resize(bench.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    strange = _strangeness(feature, feature[border][::2])
    limit = max(3.0, float(np.percentile(strange[visible & ~covered], 60)))
    labels = np.full(strange.shape, cv2.GC_PR_BGD, dtype=np.uint8)
    # In a box that was drawn round the piece most is piece.
    labels[visible if boxed else strange > limit] = cv2.GC_PR_FGD
    labels[border | covered | ~visible] = cv2.GC_BGD
    if not np.any(labels == cv2.GC_PR_FGD):
        return np.full((h, w), -1.0, dtype=np.float32)
    cv2.setRNGSeed(1)
    cv2.grabCut(  # type: ignore[call-overload]  # its stubs know no empty rectangle
        feature.astype(np.uint8),
        labels,
        None,
        np.zeros((1, 65)),
        np.zeros((1, 65)),
        5 if boxed else 2,
        cv2.GC_INIT_WITH_MASK,
    )
    piece = np.where((labels == cv2.GC_FGD) | (labels == cv2.GC_PR_FGD), 1.0, -1.0)
    return np.asarray(cv2.resize(piece.astype(np.float32), (w, h), interpolation=cv2.INTER_LINEAR))


def _shadow_like(
    small: NDArray[np.uint8], piece: Float32Array, cover: NDArray[np.uint8]
) -> NDArray[np.bool_]:
    """Return where the picture is what a shadow makes of the bench near by: darker, same colour."""
    calm = cv2.blur(small, (5, 5))
    light = linear(np.asarray(calm, dtype=np.uint8)).astype(np.float32) + np.float32(0.002)
    bench = ((piece < 0) & (cover == 0)).astype(np.float32)
    size = (2 * (max(piece.shape) // 6) + 1,) * 2
    weight = cv2.blur(bench, size) + np.float32(1e-4)
    near = cv2.blur(light * bench[..., None], size) / weight[..., None]
    ratio = np.log(light / np.maximum(near, 1e-4))
    darker = ratio.mean(axis=2)
    bluer = ratio[..., 0] - ratio[..., 2]
    greener = np.abs(ratio[..., 1] - 0.5 * (ratio[..., 0] + ratio[..., 2]))
    low, high = SHADOW_BLUER
    return np.asarray(
        (darker < -0.2) & (bluer > low) & (bluer < high - 0.3 * darker) & (greener < SHADOW_GREENER)
    )


SHADOW_BLUER = (-0.09, 0.35)
SHADOW_GREENER = 0.09
"""How a shadow changes the bench's colour (natural logarithm of blue over red, of green over
both): the light that fills it is as blue as the lamp's or bluer, and a deep one bluer still (common
practice, no source)."""


def _short_sides(visible: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return what lies nearer to the short sides of the box than to the long ones.

    A box is drawn along the piece: its short sides cut the piece, or what holds it.
    """
    rows, columns = np.nonzero(visible)
    y, x = np.indices(visible.shape)
    wide = np.minimum(x - columns.min(), columns.max() - x)
    high = np.minimum(y - rows.min(), rows.max() - y)
    landscape = np.ptp(columns) >= np.ptp(rows)
    return np.asarray(wide < high if landscape else high < wide)


def _core(
    small: NDArray[np.uint8], piece: Float32Array, bench: NDArray[np.bool_]
) -> Float32Array | None:
    """Return the part of a piece map that is least like the bench; None where it is all alike.

    A soft shadow is part bench, part piece by its colour; two clusters tell them apart.
    """
    tone = np.cbrt(linear(small).astype(np.float32)) * np.float32(100.0)
    inside = piece > 0
    if inside.sum() < 200 or bench.sum() < 200:
        return None
    level = np.median(tone[bench], axis=0)
    off = np.linalg.norm(tone - level, axis=2)
    grey = np.clip(off * 3.0, 0, 255).astype(np.uint8)
    limit, _ = cv2.threshold(grey[inside][:, None], 0, 255, cv2.THRESH_OTSU)
    core = inside & (grey > limit)
    share = core.sum() / inside.sum()
    high, low = float(off[core].mean()), float(off[inside & ~core].mean())
    if not CORE_SHARE[0] < share < CORE_SHARE[1] or high < CORE_STRANGER * low:
        return None
    whole = np.where(core, 1.0, -1.0).astype(np.float32)
    opened = cv2.morphologyEx(whole, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    return np.asarray(opened, dtype=np.float32)


CORE_SHARE = (0.2, 0.9)
CORE_STRANGER = 1.6


def _strangeness(feature: Float32Array, sample: Float32Array) -> Float32Array:
    """Return the Mahalanobis distance of each pixel to the nearest colour of the bench."""
    cv2.setRNGSeed(1)
    criteria = (cv2.TERM_CRITERIA_MAX_ITER | cv2.TERM_CRITERIA_EPS, 15, 0.5)
    count = min(5, max(1, len(sample) // 20))
    _, label, centres = cv2.kmeans(  # type: ignore[call-overload]  # its stubs know no missing labels
        sample, count, None, criteria, 1, cv2.KMEANS_PP_CENTERS
    )
    nearest = np.full(feature.shape[:2], np.inf, dtype=np.float32)
    for k in range(count):
        members = sample[label.ravel() == k]
        if len(members) < 10:
            continue
        inverse = np.linalg.inv(np.cov(members.T) + 6.0 * np.eye(3)).astype(np.float32)
        off = feature - centres[k]
        nearest = np.minimum(nearest, np.sum((off @ inverse) * off, axis=-1))
    return np.sqrt(nearest)


def _evidence(sampled: Float32Array, half: int) -> tuple[Float32Array, Float32Array]:
    """Return what speaks for an outline at each half width of each row; column 0: no piece there.

    Parameters
    ----------
    sampled : (rows, 2 half + 1, 6) features on a band's grid.
    half : samples on each side of the middle.

    Returns
    -------
    evidence : (rows, half + 1) for tracing: edges, on both sides better than on one, and whether
        what lies inside looks like piece and what lies outside like bench.
    mirrored : (rows, half + 1) for judging an axis: edges that stand on both sides with the same
        change of colour. The lightness need not change alike: light comes from one side.
    """
    change, size = _changes(sampled, 1)
    a, b = -change[:, half:], change[:, half::-1]
    tolerant = np.maximum(_widen(size), size)
    size_a, size_b = tolerant[:, half:], tolerant[:, half::-1]
    edge_a, edge_b = size_a / (EVEN_EDGE + size_a), size_b / (EVEN_EDGE + size_b)
    both = np.sqrt(edge_a * edge_b)
    piece = np.clip(sampled[..., 3], -1.0, 1.0) * sampled[..., 5]
    inside = np.cumsum(piece[:, half:] + piece[:, half::-1], axis=1)
    norm = REGION_NORM * sampled.shape[0]
    balance = (2.0 * inside - inside[:, -1:]) / norm
    # A highlight or a lamination inside the piece has more of the piece beyond it on both sides.
    beyond = np.minimum(_beyond(piece[:, half:]), _beyond(piece[:, half::-1]))
    inner = np.where(beyond > 0.0, np.float32(0.35), np.float32(1.0))
    evidence = inner * (0.7 * both + 0.15 * (edge_a + edge_b)) + REGION_WEIGHT * balance
    unseen = np.minimum(sampled[:, half:, 5], sampled[:, half::-1, 5]) < 0.5
    evidence[unseen] = -1.0
    empty = NOTHING - REGION_WEIGHT * inside[:, -1] / norm
    # A row outside the photo holds nothing that could be measured.
    evidence[:, 0] = np.where(sampled[:, half, 5] < 0.5, 10.0, empty)
    mirrored = inner * both * _widen(_agreement(a, b))
    return np.asarray(evidence, dtype=np.float32), np.asarray(mirrored, dtype=np.float32)


def _beyond(piece: Float32Array) -> Float32Array:
    """Return the piece map a few samples further out than each half width."""
    return np.concatenate(
        [piece[:, BEYOND:], np.repeat(piece[:, -1:], BEYOND, axis=1)], axis=1
    ).astype(np.float32)


BEYOND = 7


def _changes(sampled: Float32Array, reach: int) -> tuple[Float32Array, Float32Array]:
    """Return the change of colour across the band (rows, n, 3) and its size; 0 at the target."""
    colour, n = sampled[..., :3], sampled.shape[1]
    change = np.zeros_like(colour)
    change[:, reach:-reach] = colour[:, 2 * reach :] - colour[:, : n - 2 * reach]
    free = np.minimum(sampled[:, 2 * reach :, 4], sampled[:, : n - 2 * reach, 4])
    change[:, reach:-reach][free < 0.9] = 0.0
    return change, np.sqrt(np.sum(change * change, axis=-1))


def _agreement(a: Float32Array, b: Float32Array) -> Float32Array:
    """Return how alike two changes of colour are, 0.2 to 1; the hue alone is enough."""
    dot = a * b
    hue_dot = dot[..., 1] + dot[..., 2]
    size = np.sqrt(np.sum(a * a, axis=-1) * np.sum(b * b, axis=-1))
    hue_size = np.sqrt((a[..., 1] ** 2 + a[..., 2] ** 2) * (b[..., 1] ** 2 + b[..., 2] ** 2))
    alike = (hue_dot + dot[..., 0]) / np.maximum(size, 1e-6)
    hue = hue_dot / (hue_size + HUE_NOISE_SHARE**2)
    return np.asarray(0.2 + 0.8 * np.clip(np.maximum(alike, hue), 0.0, 1.0), dtype=np.float32)


def _widen(values: Float32Array) -> Float32Array:
    wide = values.copy()
    np.maximum(wide[..., 1:], values[..., :-1], out=wide[..., 1:])
    np.maximum(wide[..., :-1], values[..., 1:], out=wide[..., :-1])
    return wide


PEAKS = 8
EVEN_EDGE = 0.25
"""Size of an edge, in strong edges, that counts half."""
REGION_WEIGHT = 0.25
REGION_NORM = 0.16
HUE_NOISE_SHARE = 0.5
"""A change of hue below this share of a strong edge says little of its direction."""
NOTHING = 0.2
"""Evidence of a row without a piece: an outline must be better than this."""
JUMP = 0.05
"""Cost of a change of half width by one sample of the finest band."""
MOST_JUMP = 2.0


def _best_before(total: Float32Array, jump: float) -> Float32Array:
    """Return, for each half width of the next row, the best total that leads to it, (h, width)."""
    index = jump * np.arange(total.shape[1], dtype=np.float32)
    up = np.maximum.accumulate(total + index, axis=1) - index
    down = np.maximum.accumulate((total - index)[:, ::-1], axis=1)[:, ::-1] + index
    far = total.max(axis=1, keepdims=True) - MOST_JUMP
    return np.asarray(np.maximum(np.maximum(up, down), far))


def _path(evidence: Float32Array, jump: float) -> NDArray[np.int64]:
    """Return the half width per row, 0 for no piece, of the best outline of one band."""
    rows, width = evidence.shape
    totals = np.empty((rows, width), dtype=np.float32)
    totals[0] = evidence[0]
    for row in range(1, rows):
        totals[row] = _best_before(totals[row - 1][None], jump)[0] + evidence[row]
    path = np.zeros(rows, dtype=np.int64)
    path[-1] = int(totals[-1].argmax())
    index = np.arange(width)
    for row in range(rows - 1, 0, -1):
        cost = np.minimum(jump * np.abs(index - path[row]), MOST_JUMP)
        path[row - 1] = int((totals[row - 1] - cost).argmax())
    return path


def _axis_guesses(piece: Float32Array) -> list[tuple[FloatArray, FloatArray]]:
    """Return (ends (2, 2), half width) of rough axis lines, feature pixels, largest blob first."""
    whole = (piece > 0).astype(np.uint8)
    mask = np.asarray(cv2.morphologyEx(whole, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8)))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    order: list[int] = []
    if count > 1:
        order = (np.argsort(-stats[1:, cv2.CC_STAT_AREA])[:2] + 1).tolist()
    guesses = []
    for k in order:
        if stats[k, cv2.CC_STAT_AREA] < 0.004 * mask.size:
            continue
        y, x = np.nonzero(labels == k)
        points = np.column_stack([x, y]).astype(np.float64)[:: max(1, len(x) // 4000)]
        middle = points.mean(axis=0)
        _, vectors = np.linalg.eigh(np.cov((points - middle).T))
        d, across = vectors[:, 1], vectors[:, 0]
        along = (points - middle) @ d
        low, high = np.percentile(along, [0.5, 99.5])
        half = float(np.percentile(np.abs((points - middle) @ across), 98))
        guesses.append((np.stack([middle + low * d, middle + high * d]), np.array(half)))
    return guesses


def plain_silhouettes(scene: Scene, intrinsics: FloatArray) -> Iterator[Silhouette]:
    """Yield the rival piece maps' own outlines, of those that mirror themselves.

    Parameters
    ----------
    scene : the reduced photo.
    intrinsics : (3, 3) of the full photo.
    """
    for piece in scene.maps:
        plain = _plain_silhouette(scene, intrinsics, piece)
        if plain is not None and plain.symmetry > PLAIN_ENOUGH:
            yield plain


def searched_silhouettes(scene: Scene, intrinsics: FloatArray) -> Iterator[Silhouette]:
    """Yield the mirrored outline with the most evidence for each rival piece map.

    For what mirrors itself only in parts: shadows and clutter. Parameters as above.
    """
    for piece in scene.maps:
        features = scene.features.copy()
        features[..., 3] = piece
        hints = scene.hints if piece is scene.maps[0] else ()
        found = _find_silhouette(replace(scene, features=features, hints=hints), intrinsics)
        if found is not None:
            yield found


def _plain_silhouette(
    scene: Scene, intrinsics: FloatArray, piece: Float32Array
) -> Silhouette | None:
    """Return the outline of the piece map's largest blob, made to mirror itself."""
    whole = cv2.morphologyEx(
        (piece > 0).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)
    )
    count, labels, stats, _ = cv2.connectedComponentsWithStats(whole)
    if count < 2:
        return None
    k = int(np.argmax(stats[1:, cv2.CC_STAT_AREA])) + 1
    if stats[k, cv2.CC_STAT_AREA] < SMALLEST_BLOB * whole.size:
        return None
    blob = np.asarray(labels == k, dtype=np.float32)
    guesses = _axis_guesses(np.where(blob > 0, 1.0, -1.0).astype(np.float32))
    if not guesses:
        return None
    ends, half = guesses[0]
    K = _shrunk(intrinsics, scene.scale)
    for _ in range(4):
        band = band_for(ends, K, 0.06, 1.8 * float(half) + 8.0, 1.0)
        rows, left, right = _extents(warp(blob, band))
        if len(rows) < 20:
            return None
        middle = 0.5 * (left + right) - band.half
        fit = _line_through_most(rows, middle)
        ends_row = np.array([rows[0], rows[-1]])
        ends = band_to_pixels(band, band.half + np.polyval(fit, ends_row), ends_row)
    width = np.zeros(band.rows)
    width[rows.astype(int)] = 0.5 * (right - left + 1.0)
    off = np.abs(middle - np.polyval(fit, rows))
    share = float(np.mean(off < 1.5 + 0.06 * (right - left)))
    return Silhouette(band, _longest_run(width), share, share)


def _extents(blob: Float32Array) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return rows (k,) of a band that hold some of the blob, its first and last column there."""
    inside = blob > 0.5
    rows = np.flatnonzero(inside.any(axis=1))
    left = inside[rows].argmax(axis=1)
    right = inside.shape[1] - 1 - inside[rows, ::-1].argmax(axis=1)
    return rows.astype(np.float64), left.astype(np.float64), right.astype(np.float64)


def _line_through_most(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return the coefficients (slope, level) of a line by iteratively reweighted least squares."""
    fit = np.array([0.0, float(np.median(y))])
    for _ in range(8):
        weight = 1.0 / (1.0 + ((y - np.polyval(fit, x)) / 1.5) ** 2)
        fit = np.polyfit(x, y, 1, w=np.sqrt(weight))
    return np.asarray(fit)


PLAIN_ENOUGH = 0.6
SMALLEST_BLOB = 0.004


def _find_silhouette(scene: Scene, intrinsics: FloatArray) -> Silhouette | None:
    coarse = _halved(scene)
    K_coarse = _shrunk(intrinsics, coarse.scale)
    best: Silhouette | None = None
    for piece in (coarse.features[..., 3], *coarse.hints):
        for ends, half in _axis_guesses(piece):
            lines = _search_axis(coarse, K_coarse, ends, float(half))
            for line in _distinct(lines, 0.05 * float(half) + 1.5):
                found = _trace_band(coarse, K_coarse, line, 1.4 * float(half), 0.2, 2.0 * JUMP)
                if found is not None and (best is None or found.score > best.score):
                    best = found
    if best is None:
        return None
    K = _shrunk(intrinsics, scene.scale)
    reach = (float(best.half.max()) * 1.15 + 6.0) * 2.0
    rows = np.flatnonzero(best.half > 0)[[0, -1]].astype(np.float64)
    line = band_to_pixels(best.band, np.full(2, float(best.band.half)), rows)
    line = _settled(scene, K, scene.from_photo(coarse.to_photo(line)), reach)
    return _trace_band(scene, K, line, reach, 0.06, JUMP)


def _shrunk(intrinsics: FloatArray, scale: float) -> FloatArray:
    """Return the intrinsics (3, 3) of the photo reduced by `scale`."""
    shift = 0.5 * scale - 0.5
    return np.array([[scale, 0, shift], [0, scale, shift], [0, 0, 1]]) @ intrinsics


def _halved(scene: Scene) -> Scene:
    h, w = scene.features.shape[:2]
    size = (w // 2, h // 2)

    def half(picture: Float32Array) -> Float32Array:
        small = cv2.resize(
            picture[: 2 * size[1], : 2 * size[0]], size, interpolation=cv2.INTER_AREA
        )
        return np.asarray(small, dtype=np.float32)

    hints = tuple(half(hint) for hint in scene.hints)
    return Scene(half(scene.features), 0.5 * scene.scale, (), hints)


def _settled(scene: Scene, K: FloatArray, line: FloatArray, reach: float) -> FloatArray:
    """Return the axis line (2, 2) near a rough one about which most evidence is mirrored."""
    for step, sample in ((4.0, 3.0), (1.5, 2.0)):
        d = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
        normal = np.array([-d[1], d[0]])
        shifts = step * np.arange(-2, 3)
        tries = [line + np.array([[a], [b]]) * normal for a in shifts for b in shifts]
        bands = [band_for(each, K, 0.06, reach, sample) for each in tries]
        count = min(band.rows for band in bands)
        half = bands[0].half
        evidence = [_evidence(warp(scene.features, band)[:count], half)[0] for band in bands]
        line = tries[int(_totals(np.stack(evidence, axis=1), JUMP * sample).argmax())]
    return line


def _totals(evidence: Float32Array, jump: float) -> Float32Array:
    """Return the best total evidence of each of h bands, (h,), of evidence (rows, h, width)."""
    total = evidence[0]
    for row in evidence[1:]:
        total = _best_before(total, jump) + row
    return np.asarray(total.max(axis=1))


def _distinct(lines: list[FloatArray], near: float) -> list[FloatArray]:
    kept: list[FloatArray] = []
    for line in lines:
        if all(np.abs(_across(line, other)).max() > near for other in kept):
            kept.append(line)
    return kept


def _across(points: FloatArray, line: FloatArray) -> FloatArray:
    d = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
    return np.asarray((points - line[0]) @ np.array([-d[1], d[0]]))


def _search_axis(scene: Scene, K: FloatArray, ends: FloatArray, half: float) -> list[FloatArray]:
    """Return axis lines (2, 2) that many mirrored pairs of edges agree on, near a rough one."""
    reach = 1.5 * half
    result = []
    for outermost in (False, True):
        lines = [ends]
        for angle_limit, keep in (
            (np.deg2rad(20.0), 5),
            (np.deg2rad(6.0), 1),
            (np.deg2rad(3.0), 1),
        ):
            following = []
            for line in lines:
                votes = _midpoints(scene, K, line, reach, outermost)
                if votes is not None:
                    count = min(keep, 2) if outermost else keep
                    following += _lines_of_votes(*votes, angle_limit, half, count)
            lines = following
        result += lines
    return result


def _midpoints(
    scene: Scene, K: FloatArray, ends: FloatArray, reach: float, outermost: bool
) -> tuple[FloatArray, FloatArray, FloatArray, Band] | None:
    """Return (row, column, weight) of the middles of pairs of edges in the rows of a band.

    With `outermost` only the first and last sharp edge of each row make a pair: right for a
    shiny piece on a plain bench, whose highlights are sharper than its rims.
    """
    length = float(np.linalg.norm(ends[1] - ends[0]))
    band = band_for(ends, K, 0.05, reach, 1.0)
    every = max(1, int(length / 110))
    sampled = warp(scene.features, band)[::every]
    change, size = _changes(sampled, 2)
    peak = np.zeros_like(size)
    inner = size[:, 2:-2]
    top = (
        (inner >= size[:, 1:-3])
        & (inner > size[:, 3:-1])
        & (inner >= size[:, :-4])
        & (inner > size[:, 4:])
    )
    peak[:, 2:-2] = np.where(top & (inner > 0.25), inner, 0.0)
    if outermost:
        return _outermost(peak, float(every), band)
    picks = np.argsort(-peak, axis=1)[:, :PEAKS]
    rows = np.arange(len(sampled))[:, None]
    heights = peak[rows, picks]
    if not np.any(heights > 0):
        return None
    piece = np.cumsum(np.clip(sampled[..., 3], -1.0, 1.0), axis=1)
    i, j = np.triu_indices(PEAKS, 1)
    left = np.minimum(picks[:, i], picks[:, j])
    right = np.maximum(picks[:, i], picks[:, j])
    wide = right - left
    share = (piece[rows, right] - piece[rows, left]) / np.maximum(wide, 1)
    a, b = change[rows, left], -change[rows, right]
    ha, hb = heights[:, i], heights[:, j]
    agree = _agreement(a, b)
    strength = np.sqrt(ha * hb / ((1 + ha) * (1 + hb)))
    # Wide pairs are few and narrow ones many: between grain lines, along a highlight.
    weight = strength * agree * np.clip(share / 0.7, 0.0, 1.0) * np.sqrt(wide / (2.0 * reach))
    weight[wide < 6] = 0.0
    keep = weight > 0.02
    if keep.sum() < 20:
        return None
    row = np.broadcast_to(rows * float(every), wide.shape)[keep]
    return row, 0.5 * (left + right)[keep], weight[keep], band


def _outermost(
    peak: Float32Array, every: float, band: Band
) -> tuple[FloatArray, FloatArray, FloatArray, Band] | None:
    sharp = peak > SHARP
    some = np.flatnonzero(sharp.sum(axis=1) >= 2)
    if len(some) < 20:
        return None
    left = sharp[some].argmax(axis=1)
    right = sharp.shape[1] - 1 - sharp[some, ::-1].argmax(axis=1)
    wide = right - left > 6
    row = some[wide] * every
    return row, 0.5 * (left + right)[wide], np.ones(int(wide.sum())), band


SHARP = 0.5
"""Size of an edge, in strong edges, that a soft shadow does not reach."""


def _lines_of_votes(
    row: FloatArray,
    column: FloatArray,
    weight: FloatArray,
    band: Band,
    angle_limit: float,
    half: float,
    keep: int,
) -> list[FloatArray]:
    middle = 0.5 * (band.rows - 1)
    step = 2.0
    angles = np.arange(-angle_limit, angle_limit + 1e-9, step / (0.5 * band.rows))
    offset = column[None, :] - band.half - np.tan(angles)[:, None] * (row - middle)[None, :]
    bins = np.round(offset / step).astype(np.int64) + int(2 * band.half / step)
    width = int(4 * band.half / step) + 2
    flat = np.clip(bins, 0, width - 1) + width * np.arange(len(angles))[:, None]
    tally = np.bincount(
        flat.ravel(), np.broadcast_to(weight, flat.shape).ravel(), minlength=width * len(angles)
    ).reshape(len(angles), width)
    tally = tally + 0.6 * (np.roll(tally, 1, axis=1) + np.roll(tally, -1, axis=1))
    lines = []
    for _ in range(keep):
        k, m = np.unravel_index(int(tally.argmax()), tally.shape)
        if tally[k, m] <= 0:
            break
        shift = (m - int(2 * band.half / step)) * step
        rows = np.array([0.05, 0.95]) * (band.rows - 1)
        columns = band.half + shift + np.tan(angles[k]) * (rows - middle)
        lines.append(band_to_pixels(band, columns, rows))
        near = np.abs(np.arange(width) - m) * step < 0.12 * half + 4
        close = np.abs(angles - angles[k]) < np.deg2rad(4.0)
        tally[np.ix_(close, near)] = 0.0
    return lines


def _trace_band(
    scene: Scene, K: FloatArray, ends: FloatArray, reach: float, beyond: float, jump: float
) -> Silhouette | None:
    band = band_for(ends, K, beyond, reach, 1.0)
    sampled = warp(scene.features, band)
    evidence, mirrored = _evidence(sampled, band.half)
    half = _path(evidence, jump).astype(np.float64)
    half = _longest_run(_without_whiskers(half, sampled[..., 3], band.half))
    rows = np.nonzero(half > 0)[0]
    if len(rows) < 20:
        return None
    picked = half[rows].astype(int)
    along = mirrored[rows, picked]
    gain = evidence[rows, picked] - evidence[rows, 0]
    score = float(np.sum(gain)) / max(scene.features.shape[:2])
    return Silhouette(band, half, score, float(np.mean(along > 0.3)))


def _without_whiskers(half: FloatArray, piece: Float32Array, middle: int) -> FloatArray:
    """Return the half widths with rows cleared at both ends that hold mostly bench."""
    columns = np.abs(np.arange(piece.shape[1]) - middle)
    inside = columns[None, :] <= half[:, None]
    share = np.sum((piece > 0) & inside, axis=1) / np.maximum(inside.sum(axis=1), 1)
    held = np.flatnonzero((half > 0) & (share >= 0.5))
    kept = np.zeros_like(half)
    if len(held):
        kept[held[0] : held[-1] + 1] = half[held[0] : held[-1] + 1]
    return kept


def _longest_run(half: FloatArray) -> FloatArray:
    filled = half > 0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], filled.astype(int), [0]])))
    runs = edges.reshape(-1, 2)
    if len(runs) == 0:
        return half
    start, stop = runs[int(np.argmax([half[a:b].sum() for a, b in runs]))]
    kept = np.zeros_like(half)
    kept[start:stop] = half[start:stop]
    return kept
