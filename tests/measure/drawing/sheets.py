"""Synthetic photos of scale drawings: numpy and OpenCV, not a renderer and not photographed.

A sheet is drawn at 12 px/mm with grainy pencil, lit unevenly, slightly bowed, laid under a phone
with a card on it, and resampled to the photo with lens distortion, blur, noise and JPEG.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calib.lens import lens_from_exif
from calib.light import encoded
from calib.photo import CameraId, Photo
from calib.view import View

TEXTURE = 12.0
THICKNESS = 0.76


@dataclass(frozen=True)
class Sketch:
    """What is drawn and how; lengths in mm.

    rows: (n, 2) of (z, r), two rows at one z a shoulder.
    """

    rows: np.ndarray
    half: bool = False
    pencil_mm: float = 0.5
    darkness: float = 0.65
    grain: float = 0.5
    bow_mm: float = 0.0
    centre_line: bool = True
    dimensions: bool = True
    text: bool = True
    smudges: int = 3
    skew_mm: float = 0.0
    sheet_mm: tuple[float, float] = (297.0, 210.0)
    shoulder_lines: bool = True
    solid_axis: bool = False
    seed: int = 1
    rotate_deg: float = 1.5
    tilt_deg: float = 10.0
    distance_mm: float = 330.0
    focal_error: float = 0.0
    k1: float = 0.02
    size_px: tuple[int, int] = (4032, 3024)
    template: bool = False
    drawn_scale: float = 1.0


def turning(seed: int, length: float = 200.0, widest: float = 50.0) -> np.ndarray:
    """Return (n, 2) rows of an invented spindle with tenon, beads, coves, fillets and swells."""
    rng = np.random.default_rng(seed)
    z, rows = 0.0, []
    r = widest / 2 * rng.uniform(0.5, 0.8)
    kinds = ["fillet", "bead", "fillet", "cove", "fillet", "swell", "fillet", "bead", "cylinder"]
    while z < length:
        kind = kinds[int(rng.integers(len(kinds)))] if rows else "cylinder"
        if kind == "cylinder":
            w = rng.uniform(6, 18)
            rows += [(z, r), (z + w, r)]
        elif kind == "fillet":
            w = rng.uniform(1.5, 3.0)
            r = float(np.clip(r + rng.choice([-1, 1]) * rng.uniform(1.2, 3.0), 5.0, widest / 2))
            rows += [(z, r), (z + w, r)]
        elif kind == "bead":
            w = rng.uniform(5, 10)
            t = np.linspace(-1, 1, 41)
            rise = rng.uniform(0.25, 0.5) * w
            rows += [(z + w * (x + 1) / 2, r + rise * np.sqrt(max(1 - x * x, 0))) for x in t]
        elif kind == "cove":
            w = rng.uniform(6, 14)
            t = np.linspace(-1, 1, 41)
            deep = min(rng.uniform(0.2, 0.45) * w, r - 4.0)
            rows += [(z + w * (x + 1) / 2, r - deep * np.sqrt(max(1 - x * x, 0))) for x in t]
        else:
            w = rng.uniform(25, 60)
            t = np.linspace(0, 1, 61)
            to = float(np.clip(r + rng.uniform(-6, 6), 6.0, widest / 2))
            belly = rng.uniform(-3, 4)
            rows += [(z + w * x, max(r + (to - r) * x + belly * np.sin(np.pi * x), 4.0)) for x in t]
            r = to
        z += w
    out = np.array(rows)
    out = out[out[:, 0] <= length]
    out[-1, 0] = length
    return out


def diameters(rows: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Return true diameters at z, away from shoulders."""
    return 2.0 * np.interp(z, rows[:, 0] + 1e-7 * np.arange(len(rows)), rows[:, 1])


def _line(mask, points, width, level=1.0):
    layer = np.zeros_like(mask)
    fixed = np.round(points * 16).astype(np.int32)
    for a, b in itertools.pairwise(fixed):
        cv2.line(layer, tuple(map(int, a)), tuple(map(int, b)), 1.0, 1, cv2.LINE_8, 4)
    distance = cv2.distanceTransform(
        (layer < 0.5).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE
    )
    np.maximum(mask, level * np.clip(width / 2 - distance + 0.5, 0, 1), out=mask)


def _local(mask, points, width, level=1.0):
    """Draw inside the bounding box only: the distance transform is slow on the whole sheet."""
    pad = width + 4
    low = np.maximum(np.floor(points.min(axis=0) - pad).astype(int), 0)
    high = np.ceil(points.max(axis=0) + pad).astype(int)
    part = mask[low[1] : high[1], low[0] : high[0]]
    if part.size:
        _line(part, points - low, width, level)


def _noise(rng, shape, size):
    small = rng.standard_normal((int(shape[0] / size) + 2, int(shape[1] / size) + 2))
    return cv2.resize(small.astype(np.float32), shape[::-1], interpolation=cv2.INTER_CUBIC)


def texture(sketch: Sketch, origin, angle) -> np.ndarray:
    """Return the sheet's reflectance (H, W) float32 at `TEXTURE` px/mm, y downward."""
    rng = np.random.default_rng(sketch.seed)
    w, h = (int(v * TEXTURE) for v in sketch.sheet_mm)
    d = np.array([np.cos(angle), np.sin(angle)])
    n = np.array([-d[1], d[0]])

    def px(zr):
        zr = np.asarray(zr, dtype=float)
        return (origin + zr[:, :1] * d + zr[:, 1:] * n) * TEXTURE - 0.5

    rows = sketch.rows * sketch.drawn_scale
    length = rows[-1, 0]
    bold, thin = np.zeros((h, w), np.float32), np.zeros((h, w), np.float32)
    width = sketch.pencil_mm * TEXTURE
    sides = (1.0,) if sketch.half else (1.0, -1.0)
    for sign in sides:
        wave = sketch.skew_mm * np.sin(rows[:, 0] / length * np.pi) * (sign < 0)
        outline = np.column_stack([rows[:, 0], sign * (rows[:, 1] + wave)])
        points = np.concatenate([[[0, 0]], outline, [[length, 0]]])
        for i in range(0, len(points) - 1, 6):
            _local(bold, px(points[i : i + 7]), width)
        if sketch.shoulder_lines:
            jumps = np.nonzero(np.diff(rows[:, 0]) == 0)[0]
            for k in jumps:
                top = min(rows[k, 1], rows[k + 1, 1])
                line = px(np.array([[rows[k, 0], 0.0], [rows[k, 0], sign * top]]))
                _local(thin, line, 0.25 * TEXTURE, 0.9)
    if sketch.template:
        outline = np.concatenate([rows, (rows * (1, -1))[::-1]])
        if sketch.half:
            outline = np.concatenate([[[0, 0]], rows, [[length, 0]]])
        # Four times as fine, since filling takes in the border's pixels.
        inside = np.zeros((4 * h, 4 * w), np.uint8)
        fine = (px(outline) + 0.5) * 4.0 - 0.5
        cv2.fillPoly(inside, [np.round(fine * 16).astype(np.int32)], 255, cv2.LINE_8, 4)
        inside = cv2.resize(inside, (w, h), interpolation=cv2.INTER_AREA)
        return inside.astype(np.float32) / 255.0
    widest = rows[:, 1].max()
    if sketch.centre_line:
        z = -12.0
        k = 0
        while z < length + 12:
            step = 200.0 if sketch.solid_axis else (9.0, 1.2)[k % 2]
            end = min(z + step, length + 12)
            _local(thin, px(np.array([[z, 0.0], [end, 0.0]])), 0.25 * TEXTURE, 0.8)
            z = end + (0.0 if sketch.solid_axis else 1.6)
            k += 1
    if sketch.dimensions:
        at = -(widest + 12)
        _local(thin, px(np.array([[0, at], [length, at]])), 0.22 * TEXTURE, 0.7)
        for z in (0.0, length):
            edge = -1.5 if sketch.half else -(rows[0 if z == 0 else -1, 1] + 1.5)
            _local(thin, px(np.array([[z, edge], [z, at - 3]])), 0.22 * TEXTURE, 0.7)
        k = int(np.argmax(rows[:, 1]))
        z = rows[k, 0]
        line = np.array([[z, -(0 if sketch.half else widest)], [z, widest]])
        _local(thin, px(line), 0.22 * TEXTURE, 0.7)
    if sketch.text:
        for z, r, word in (
            (length * 0.45, -(widest + 16), f"{length:.0f}"),
            (length * 0.2, widest + 8, "mill, maple"),
            (length * 0.7, widest * 0.35, f"dia {2 * widest:.0f}"),
        ):
            at = px(np.array([[z, r]]))[0]
            words = np.zeros((h, w), np.uint8)
            face = cv2.FONT_HERSHEY_SIMPLEX
            place = tuple(int(v) for v in at)
            cv2.putText(words, word, place, face, 2.2, 200, 5, cv2.LINE_AA)
            np.maximum(thin, words.astype(np.float32) / 255, out=thin)
    grain = _noise(rng, (h, w), 0.12 * TEXTURE)
    pressure = 1.0 + 0.2 * _noise(rng, (h, w), 8 * TEXTURE)
    cover = np.clip(1.0 - sketch.grain * (0.5 + 0.8 * grain), 0.0, 1.0)
    ink = sketch.darkness * np.clip(pressure, 0.5, 1.3) * cover
    paper = (
        0.82 + 0.012 * _noise(rng, (h, w), 0.4 * TEXTURE) + 0.01 * _noise(rng, (h, w), 12 * TEXTURE)
    )
    paper *= 1.0 - ink * np.clip(bold + 0.55 * thin, 0, 1)
    for _ in range(sketch.smudges):
        z = rng.uniform(0, length)
        at = px(np.array([[z, rng.uniform(-1.2, 1.2) * widest]]))[0]
        size = rng.uniform(4, 12) * TEXTURE
        y, x = np.mgrid[0:h:8, 0:w:8].astype(np.float32)
        spot = np.exp(-0.5 * (((x - at[0]) / size) ** 2 + ((y - at[1]) / (0.5 * size)) ** 2))
        paper *= 1.0 - 0.25 * cv2.resize(spot, (w, h))
    for _ in range(12):
        at = (rng.uniform(0, w), rng.uniform(0, h))
        cv2.circle(paper, tuple(int(v) for v in at), int(rng.uniform(0.1, 0.4) * TEXTURE), 0.35, -1)
    return paper


def photo_of(sketch: Sketch) -> tuple[Photo, View]:
    """Return a synthetic photo of the sheet, card on it, and the true view."""
    rng = np.random.default_rng(sketch.seed + 1000)
    width, height = sketch.size_px
    sheet_w, sheet_h = sketch.sheet_mm
    # The card's frame: the sheet's centre lies above and right of the card.
    card_at = np.array([rng.uniform(-60, -20), -sheet_h / 2 + 36])
    card_turn = np.radians(rng.uniform(-8, 8))
    lens = lens_from_exif(sketch.size_px, 26.0)
    lens = replace(lens, focal_px=lens.focal_px * (1 + sketch.focal_error), k1=sketch.k1)
    tilt = np.radians(sketch.tilt_deg)
    down = np.diag([1.0, -1.0, -1.0])
    R = (
        cv2.Rodrigues(np.array([tilt, 0.0, 0.0]))[0]
        @ cv2.Rodrigues(np.array([0, 0, np.radians(2.0)]))[0]
        @ down
    )
    aim = np.array([0.0, 0.0, 0.0])
    t = np.array([0, 0, sketch.distance_mm]) - R @ aim
    c, s = np.cos(card_turn), np.sin(card_turn)
    # Sheet frame to target frame: p_target = Rz(-turn) (p_sheet - card_at), Z shared.
    Rz = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    R_target = R @ Rz
    t_target = R @ np.array([card_at[0], card_at[1], THICKNESS]) + t
    view = View(lens, cv2.Rodrigues(R_target)[0].ravel(), t_target, np.zeros((11, 11)))

    angle = np.radians(sketch.rotate_deg)
    length = sketch.rows[-1, 0] * sketch.drawn_scale
    middle = np.array([sheet_w / 2, sheet_h * (0.36 if not sketch.half else 0.42)])
    origin = middle - 0.5 * length * np.array([np.cos(angle), np.sin(angle)])
    page = texture(sketch, origin, angle)
    step = 8
    gx, gy = np.meshgrid(np.arange(0, width + step, step), np.arange(0, height + step, step))
    pixels = np.stack([gx, gy], axis=-1).astype(float)
    on = view.on_plane(pixels, -THICKNESS)
    for _ in range(3):
        x_sheet = (on @ Rz[:2, :2].T + card_at)[..., 0]
        bow = sketch.bow_mm * np.clip(1 - (x_sheet / (sheet_w / 2)) ** 2, -1, 1)
        bow = np.where(np.abs(x_sheet) > sheet_w, 0, bow)
        rays, centre = view.rays(pixels), view.camera_centre_mm
        k = ((-THICKNESS + bow) - centre[2]) / rays[..., 2]
        on = centre[:2] + k[..., None] * rays[..., :2]
    sheet = on @ Rz[:2, :2].T + card_at
    tex = np.stack(
        [
            (sheet[..., 0] + sheet_w / 2) * TEXTURE - 0.5,
            (sheet_h / 2 - sheet[..., 1]) * TEXTURE - 0.5,
        ],
        -1,
    )
    full = cv2.resize(
        tex.astype(np.float32), None, fx=step, fy=step, interpolation=cv2.INTER_LINEAR
    )
    # The enlarged grid holds the value of grid point k at pixel k * step + (step - 1) / 2.
    shift = (step - 1) / 2
    move = np.array([[1, 0, -shift], [0, 1, -shift]], dtype=np.float32)
    full = cv2.warpAffine(
        full, move, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    shrunk = cv2.GaussianBlur(page, (0, 0), 0.45 * TEXTURE / 11.0)
    wood = 0.16 + 0.03 * _noise(rng, (height, width), 60) + 0.01 * _noise(rng, (height, width), 6)
    looked = cv2.remap(shrunk, full[..., 0], full[..., 1], cv2.INTER_LINEAR, borderValue=-1.0)
    if sketch.template:
        colour = np.stack([wood * 0.4, wood * 0.62, wood], -1)
        cover = np.clip(looked, 0, 1)[..., None]
        light = colour * (1 - cover) + cover * 0.62 * np.array([0.75, 0.9, 1.0])
    else:
        on_sheet = (looked >= 0)[..., None]
        light = np.where(
            on_sheet,
            looked[..., None] * np.array([0.97, 0.99, 1.0]),
            np.stack([wood * 0.45, wood * 0.7, wood], -1),
        )
    light = light * (1 + 0.12 * (gx.max() - np.arange(width)) / width - 0.06)[None, :, None]
    light = _with_card(light, view, rng)
    light = cv2.GaussianBlur(light, (0, 0), 0.7)
    light = np.clip(light, 0, 1) + rng.standard_normal(light.shape) * np.sqrt(
        2e-5 + 2e-4 * np.clip(light, 0, 1)
    )
    bgr = np.clip(np.round(encoded(np.clip(light, 0, 1))), 0, 255).astype(np.uint8)
    _, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 92])
    bgr = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), dtype=np.uint8)
    return Photo(f"sheet-{sketch.seed}.jpg", bgr, 26.0, CameraId("", "", None, 26.0), ()), view


def _with_card(light, view, rng):
    w, h, r = 85.6, 53.98, 3.18
    arc = np.linspace(0, np.pi / 2, 24)
    corners = []
    for k, (sx, sy) in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
        at = np.array([sx * (w / 2 - r), sy * (h / 2 - r)])
        corners.append(
            at + r * np.stack([np.cos(arc + k * np.pi / 2), np.sin(arc + k * np.pi / 2)], -1)
        )
    ring = np.concatenate(corners)
    ring_px = view.to_pixels(np.column_stack([ring, np.zeros(len(ring))]))
    cover = np.zeros(light.shape[:2], np.uint8)
    low, high = np.floor(ring_px.min(0) - 4).astype(int), np.ceil(ring_px.max(0) + 4).astype(int)
    low = np.maximum(low, 0)
    big = np.zeros(((high[1] - low[1]) * 4, (high[0] - low[0]) * 4), np.uint8)
    fine = (ring_px - low + 0.5) * 4 - 0.5
    cv2.fillPoly(big, [np.round(fine * 16).astype(np.int32)], 255, cv2.LINE_8, 4)
    small = cv2.resize(big, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    part = cover[low[1] : high[1], low[0] : high[0]]
    part[:] = small[: part.shape[0], : part.shape[1]]
    a = cover[..., None].astype(float) / 255
    face = np.array(rng.choice([[0.25, 0.1, 0.06], [0.05, 0.05, 0.06], [0.1, 0.2, 0.06]]))
    return light * (1 - a) + a * face
