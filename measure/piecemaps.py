"""Maps of what is piece in a reduced photo: unlike the bench, without its shadow, its core."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.light import linear
from calib.vectors import sum_of_planes

__all__ = ["core", "piece_map", "shadow_like"]

Float32Array = NDArray[np.float32]

MASK_SIDE_PX = 288
CORE_SHARE = (0.2, 0.9)
CORE_STRANGER = 1.6
PARTS, SHOWN_LEAST, PLACES_LEAST = 32, 0.1, 0.3
"""The border's parts; a colour that makes up so much of no more than such a share of them is that
of things which the border cuts (no source)."""
SHADOW_BLUER = (-0.09, 0.35)
SHADOW_GREENER = 0.09
"""How a shadow changes the bench's colour (natural logarithm of blue over red, of green over
both): the light that fills it is as blue as the lamp's or bluer, and a deep one bluer still (common
practice, no source)."""


def piece_map(
    lab: NDArray[np.uint8],
    cover: NDArray[np.uint8],
    seen: NDArray[np.float32],
    light_weight: float,
    bench: NDArray[np.bool_] | None,
    common: bool = False,
) -> NDArray[np.float32]:
    """Return +1 where the picture looks like the piece, -1 where like the bench, shape (h, w).

    Colour models of bench and piece, started from the border of the picture and refined with a
    smoothness term [Rother2004]. Lightness counts less than colour, for the sake of shadows.

    Parameters
    ----------
    lab, cover, seen : (h, w, 3) picture, (h, w) where the target is, (h, w) 1 inside the box.
    light_weight : of lightness, against that of colour.
    bench : (h, w) what surely is bench; None for the border of the picture.
    common : whether only colours are bench's that the border shows in many places: what else lies
        at the border may be of the piece's own colour.
    """
    h, w = lab.shape[:2]
    scale = min(1.0, MASK_SIDE_PX / max(h, w))
    size = (max(round(w * scale), 8), max(round(h * scale), 8))
    covered = cv2.resize(cover, size, interpolation=cv2.INTER_NEAREST) > 0
    visible = cv2.resize(seen, size, interpolation=cv2.INTER_NEAREST) > 0
    feature = _feature(lab, size, light_weight)
    if bench is None:
        border = _border(visible) & ~covered
    else:
        border = cv2.resize(bench.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    if common and bench is None:
        border &= ~_in_few_places(feature, border)
    strange = _strangeness(feature, feature[border][::2])
    limit = max(3.0, float(np.percentile(strange[visible & ~covered], 60)))
    # In a box that was drawn round the piece most is piece.
    boxed = not visible.all()
    labels = np.full(strange.shape, cv2.GC_PR_BGD, dtype=np.uint8)
    labels[visible if boxed else strange > limit] = cv2.GC_PR_FGD
    labels[border | covered | ~visible] = cv2.GC_BGD
    if not np.any(labels == cv2.GC_PR_FGD):
        return np.full((h, w), -1.0, dtype=np.float32)
    piece = np.where(_cut(feature, labels, 5 if boxed else 2), 1.0, -1.0).astype(np.float32)
    return np.asarray(cv2.resize(piece, (w, h), interpolation=cv2.INTER_LINEAR))


def _feature(lab: NDArray[np.uint8], size: tuple[int, int], light_weight: float) -> Float32Array:
    """Return colour (h, w, 3), 0 to 255, at a (width, height), its lightness toned down."""
    small = cv2.resize(lab, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    feature = np.empty_like(small)
    feature[..., 0] = small[..., 0] * light_weight
    feature[..., 1:] = (small[..., 1:] - 128.0) * 1.6 + 128.0
    return np.asarray(np.clip(cv2.GaussianBlur(feature, (0, 0), 1.0), 0, 255))


def _border(visible: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the border of the picture, or the long sides of the box: bench as a rule."""
    kernel = np.ones((3, 3), np.uint8)
    inner = cv2.erode(visible.astype(np.uint8), kernel, iterations=6, borderValue=0)
    border = visible & (inner == 0)
    return np.asarray(border if visible.all() else border & ~_short_sides(visible))


def _cut(feature: Float32Array, labels: NDArray[np.uint8], rounds: int) -> NDArray[np.bool_]:
    """Return what is piece by graph cuts that go on from the labels given."""
    cv2.setRNGSeed(1)
    cut = labels.copy()
    cv2.grabCut(  # type: ignore[call-overload]  # the stubs want a rectangle, a mask needs none
        feature.astype(np.uint8),
        cut,
        None,
        np.zeros((1, 65)),
        np.zeros((1, 65)),
        rounds,
        cv2.GC_INIT_WITH_MASK,
    )
    return np.asarray((cut == cv2.GC_FGD) | (cut == cv2.GC_PR_FGD))


def _strangeness(feature: Float32Array, sample: Float32Array) -> Float32Array:
    """Return the Mahalanobis distance of each pixel to the nearest colour of the bench."""
    label, centres = _colours_of(sample)
    nearest = np.full(feature.shape[:2], np.inf, dtype=np.float32)
    for k, centre in enumerate(centres):
        members = sample[label == k]
        if len(members) < 10:
            continue
        inverse = np.linalg.inv(np.cov(members.T) + 6.0 * np.eye(3)).astype(np.float32)
        off = feature - centre
        nearest = np.minimum(nearest, sum_of_planes((off @ inverse) * off))
    return np.sqrt(nearest)


def _colours_of(sample: Float32Array) -> tuple[NDArray[np.int32], Float32Array]:
    """Return which of a few colours each of a sample (n, 3) is nearest to, (n,), and those."""
    cv2.setRNGSeed(1)
    criteria = (cv2.TERM_CRITERIA_MAX_ITER | cv2.TERM_CRITERIA_EPS, 15, 0.5)
    count = min(5, max(1, len(sample) // 20))
    _, label, centres = cv2.kmeans(  # type: ignore[call-overload]  # the stubs want labels, a first run has none
        sample, count, None, criteria, 1, cv2.KMEANS_PP_CENTERS
    )
    return np.asarray(label, dtype=np.int32).ravel(), np.asarray(centres, dtype=np.float32)


def _in_few_places(feature: Float32Array, border: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return what of the border, (h, w), has a colour that it shows in few places only."""
    found = np.zeros_like(border)
    y, x = np.nonzero(border)
    h, w = border.shape
    turn = np.arctan2((y + 0.5) / h - 0.5, (x + 0.5) / w - 0.5) / (2.0 * np.pi) + 0.5
    part = np.minimum((turn * PARTS).astype(np.int64), PARTS - 1)
    label, centres = _colours_of(np.ascontiguousarray(feature[border]))
    counts = np.stack([np.bincount(part[label == k], minlength=PARTS) for k in range(len(centres))])
    shown = np.mean(counts > SHOWN_LEAST * np.maximum(counts.sum(axis=0), 1), axis=1)
    few = (shown < PLACES_LEAST) & (np.arange(len(centres)) != counts.sum(axis=1).argmax())
    found[y, x] = few[label]
    return found


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


def shadow_like(
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
    darker = sum_of_planes(ratio) / np.float32(3.0)
    bluer = ratio[..., 0] - ratio[..., 2]
    greener = np.abs(ratio[..., 1] - 0.5 * (ratio[..., 0] + ratio[..., 2]))
    low, high = SHADOW_BLUER
    return np.asarray(
        (darker < -0.2) & (bluer > low) & (bluer < high - 0.3 * darker) & (greener < SHADOW_GREENER)
    )


def core(
    small: NDArray[np.uint8], piece: Float32Array, bench: NDArray[np.bool_]
) -> Float32Array | None:
    """Return the part of a piece map that is least like the bench; None where it is all alike.

    A soft shadow is part bench, part piece by its colour; two clusters tell them apart.
    """
    tone = np.cbrt(linear(small).astype(np.float32)) * np.float32(100.0)
    inside = piece > 0
    if inside.sum() < 200 or bench.sum() < 200:
        return None
    level = np.array([np.median(tone[..., k][bench]) for k in range(3)])
    off = np.sqrt(sum_of_planes((tone - level) ** 2))
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
