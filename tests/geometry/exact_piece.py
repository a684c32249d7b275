"""Test data, not measurements: solids of revolution and their exact outlines in a photo.

A meridian is lines and curves end to end from (0, r) to (length, r); between them it may have
sharp corners, whose every normal is taken. The outline is found anew here, with the meridian as a
curve with a parameter, so that it does not lean on the project's own forward model.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from measure.outline import Outline, _tangents
from measure.revolve import Axis

FINE_PX = 0.3
SPACING_PX = 3.0
HIDDEN_MM = 5e-4
REACH = 3


@dataclass(frozen=True)
class Arc:
    """One smooth part of a meridian: (z, r, dz, dr) at parameters from 0 to 1; z rises."""

    at: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]]


def line(z0, r0, z1, r1):
    def at(t):
        one = np.ones_like(t)
        return z0 + (z1 - z0) * t, r0 + (r1 - r0) * t, (z1 - z0) * one, (r1 - r0) * one

    return Arc(at)


def curve(z0, z1, radius, slope):
    def at(t):
        z = z0 + (z1 - z0) * t
        return z, radius(z), np.ones_like(t), slope(z)

    return Arc(at)


def round_arc(zc, rc, radius, start_rad, stop_rad):
    """Return an arc about (zc, rc); 0 points along rising z, pi/2 outward; start > stop."""

    def at(t):
        p = start_rad + (stop_rad - start_rad) * t
        return (
            zc + radius * np.cos(p),
            rc + radius * np.sin(p),
            radius * np.sin(p),
            -radius * np.cos(p),
        )

    return Arc(at)


@dataclass(frozen=True)
class Solid:
    """A solid of revolution; ends that do not reach the axis are flat."""

    arcs: tuple[Arc, ...]

    def table(self, count=4000):
        """Return z rising and r, fine, with steps as two rows a hair apart."""
        parts = [arc.at(np.linspace(0.0, 1.0, count // len(self.arcs)))[:2] for arc in self.arcs]
        z = np.concatenate([p[0] for p in parts])
        r = np.concatenate([p[1] for p in parts])
        return np.maximum.accumulate(z + 1e-9 * np.arange(len(z))), r

    @property
    def length(self):
        return float(self.table()[0][-1])

    def radius(self, z):
        return np.interp(z, *self.table(40_000))

    def slope(self, z, h=1e-3):
        """Return dr/dz, the steeper of both ways."""
        table = self.table(40_000)
        here, up, down = (np.interp(z + k, *table) for k in (0.0, h, -h))
        a, b = (up - here) / h, (here - down) / h
        return np.where(np.abs(a) > np.abs(b), a, b)

    def resting_table(self):
        return self.table(2000)


def low_domed(length_mm, radius_mm, height_mm):
    """Return a cylinder whose far end is half an ellipsoid, flat if it is 0 high."""
    root = length_mm - height_mm
    barrel = line(0.0, radius_mm, root, radius_mm)
    if height_mm == 0.0:
        return Solid((barrel,))

    def at(t):
        u = 0.5 * np.pi * t
        return (
            root + height_mm * np.sin(u),
            radius_mm * np.cos(u),
            height_mm * np.cos(u),
            -radius_mm * np.sin(u),
        )

    return Solid((barrel, Arc(at)))


def across(direction):
    e1 = np.cross(direction, np.eye(3)[int(np.argmin(np.abs(direction)))])
    e1 /= np.linalg.norm(e1)
    return e1, np.cross(direction, e1)


def smooth_contour(camera, axis, arc, spacing_mm):
    """Return contour points of both sides (n, 3) in order of the meridian, NaN where none."""
    e1, e2 = across(axis.direction)

    def half_of(t):
        z, r, dz, dr = arc.at(t)
        toward = axis.at(z) - camera
        A, B = toward @ e1, toward @ e2
        with np.errstate(divide="ignore", invalid="ignore"):
            share = (dr / dz * (toward @ axis.direction) - r) / np.hypot(A, B)
        return share, np.arctan2(B, A), z, r

    z, r = arc.at(np.linspace(0.0, 1.0, 400))[:2]
    length = float(np.sum(np.hypot(np.diff(z), np.diff(r))))
    t = np.linspace(0.0, 1.0, max(int(length / spacing_mm), 20))
    share = half_of(t)[0]
    # Where both sides meet the points run apart: more of them there.
    ends = np.flatnonzero(np.diff((np.abs(share) <= 1.0).astype(int)))
    extra = []
    for k in ends:
        low, high = (t[k], t[k + 1]) if np.abs(share[k]) <= 1.0 else (t[k + 1], t[k])
        for _ in range(60):
            middle = 0.5 * (low + high)
            inside = np.abs(half_of(np.array([middle]))[0][0]) <= 1.0
            low, high = (middle, high) if inside else (low, middle)
        u = np.linspace(0.0, 1.0, 400) ** 2
        extra.append(low + np.sign(low - high) * u * min(0.2, 20.0 / length))
    t = np.unique(np.concatenate([t, *[e[(e >= 0) & (e <= 1)] for e in extra]]))
    share, middle, z, r = half_of(t)
    with np.errstate(invalid="ignore"):
        half = np.arccos(share)
    sides = []
    for sign in (1.0, -1.0):
        p = middle + sign * half
        ring = np.cos(p)[:, None] * e1 + np.sin(p)[:, None] * e2
        sides.append(axis.at(z) + r[:, None] * ring)
    return sides


def rim_contour(camera, axis, z, r, before_rad, after_rad, spacing_mm):
    """Return contour points of both sides on a sharp convex rim, in order of its normals.

    `before_rad`, `after_rad` are the meridian's direction (0 along z, pi/2 outward) on both
    sides of the corner; it turns from the first to the second, falling.
    """
    e1, e2 = across(axis.direction)
    toward = axis.at(z) - camera
    A, B, along = float(toward @ e1), float(toward @ e2), float(toward @ axis.direction)
    middle = np.arctan2(B, A)
    p = np.linspace(0.0, np.pi, max(int(np.pi * r / spacing_mm), 40))
    sides = []
    for sign in (1.0, -1.0):
        phi = middle + sign * p
        tangent = (A * np.cos(phi) + B * np.sin(phi) + r) / along
        turn = np.arctan(tangent)
        keep = (turn <= before_rad) & (turn >= after_rad)
        order = np.argsort(-turn[keep])
        phi = phi[keep][order]
        ring = np.cos(phi)[:, None] * e1 + np.sin(phi)[:, None] * e2
        sides.append(axis.at(z) + r * ring)
    return sides


def hidden(camera, axis, solid, points, half_window, step):
    """Return which points lie behind or before other parts of the solid, (n,)."""
    table = solid.table()
    length = table[0][-1]
    rays = points - camera
    depth = np.linalg.norm(rays, axis=1, keepdims=True)
    s = np.arange(-half_window, half_window + step, step)
    along_unit = rays / depth
    # z and squared distance from the axis are a line and a parabola along each ray.
    base = points - axis.point_mm
    z0, zs = base @ axis.direction, along_unit @ axis.direction
    across0 = base - z0[:, None] * axis.direction
    across1 = along_unit - zs[:, None] * axis.direction
    a, b = np.sum(across1**2, axis=1), np.sum(across0 * across1, axis=1)
    c = np.sum(across0**2, axis=1)
    z = z0[:, None] + zs[:, None] * s
    rho = np.sqrt(np.maximum(c[:, None] + 2.0 * b[:, None] * s + a[:, None] * s**2, 0.0))
    r = np.interp(z, *table, left=-1.0, right=-1.0)
    r = np.where((z < 0.0) | (z > length), -1.0, r)
    return np.max(r - rho, axis=1) > HIDDEN_MM


@dataclass(frozen=True)
class ExactOutline:
    """The outline in the photo: (n, 2) points in order round the piece, and unit tangents."""

    points_px: np.ndarray
    tangents: np.ndarray


def contour_sides(view, axis, solid, scale_mm):
    """Return both sides' contour points (n, 3) in order of rising z, hidden ones included."""
    camera = view.camera_centre_mm
    fine = FINE_PX * scale_mm
    parts = ([], [])
    before = 0.5 * np.pi
    for k in range(len(solid.arcs) + 1):
        if k < len(solid.arcs):
            z, r, dz, dr = (float(v[0]) for v in solid.arcs[k].at(np.array([0.0])))
            after = np.arctan2(dr, dz)
        else:
            z, r = (float(v[0]) for v in solid.arcs[-1].at(np.array([1.0]))[:2])
            after = -0.5 * np.pi
        if k and k < len(solid.arcs):
            z_last, r_last = (float(v[0]) for v in solid.arcs[k - 1].at(np.array([1.0]))[:2])
            if abs(r_last - r) > 1e-9 or abs(z_last - z) > 1e-9:
                # A square shoulder: of its two corners the outer one is convex.
                if r_last > r:
                    corners = [(z_last, r_last, before, -0.5 * np.pi)]
                else:
                    corners = [(z, r, 0.5 * np.pi, after)]
            else:
                corners = [(z, r, before, after)]
        else:
            corners = [(z, r, before, after)]
        for zc, rc, first, last in corners:
            if rc > 1e-6 and first - last > 1e-9:
                for side, points in zip(
                    parts, rim_contour(camera, axis, zc, rc, first, last, fine), strict=True
                ):
                    side.append(points)
        if k < len(solid.arcs):
            for side, points in zip(
                parts, smooth_contour(camera, axis, solid.arcs[k], fine), strict=True
            ):
                side.append(points)
            dz, dr = (float(v[0]) for v in solid.arcs[k].at(np.array([1.0]))[2:])
            before = np.arctan2(dr, dz)
    return [np.concatenate(side) for side in parts]


def exact_outline(view, axis, solid):
    """Return the outline of a solid in a photo, at about the spacing of a measured one."""
    camera = view.camera_centre_mm
    scale = float(np.linalg.norm(axis.at(0.5 * solid.length) - camera)) / view.lens.focal_px
    widest = float(solid.table()[1].max())
    d = (axis.at(0.5 * solid.length) - camera) / np.linalg.norm(
        axis.at(0.5 * solid.length) - camera
    )
    window = 2.2 * widest / max(float(np.linalg.norm(np.cross(d, axis.direction))), 0.3)
    sides = []
    for points in contour_sides(view, axis, solid, scale):
        points = points[np.all(np.isfinite(points), axis=1)]
        points = points[:: max(1, int(1.2 / FINE_PX))] if len(points) > 4000 else points
        points = points[~hidden(camera, axis, solid, points, window, 0.6)]
        sides.append(view.to_pixels(points))
    line_px = np.concatenate([sides[0], sides[1][::-1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line_px, axis=0), axis=1))])
    wanted = np.arange(0.0, along[-1], SPACING_PX)
    nearest = np.unique(np.clip(np.searchsorted(along, wanted), 0, len(along) - 1))
    points_px = line_px[nearest]
    # The picture of the contour between its points is smooth: tangents from the finer line.
    ahead, behind = line_px[(nearest + 1) % len(line_px)], line_px[nearest - 1]
    tangents = ahead - behind
    tangents = tangents / np.linalg.norm(tangents, axis=1, keepdims=True)
    return ExactOutline(points_px, tangents)


SLOW_POINTS = 30


def seen_outline(exact, rng, sd_px, bias_px, side_of, slow_px=0.0):
    """Return the outline as measured: noise of sd_px across it, a bias for each side.

    `slow_px` is what grain and shading move it beside, over `SLOW_POINTS` points together.

    Tangents come from the noisy points, as they do in a photo.
    """
    area = Outline(
        exact.points_px,
        exact.tangents,
        *[np.zeros(len(exact.points_px))] * 3,
        np.zeros(0, dtype=bool),
    )
    normals = area.normals()
    off = np.where(side_of > 0, bias_px[0], bias_px[1])
    if sd_px > 0:
        off = off + sd_px * rng.standard_normal(len(off))
    if slow_px > 0:
        slow = gaussian_filter1d(rng.standard_normal(len(off)), SLOW_POINTS, mode="wrap")
        off = off + slow_px * slow / np.std(slow)
    points = exact.points_px + off[:, None] * normals
    stated = np.full(len(points), max(sd_px, 0.06))
    tangents = _tangents(points, 1.0 / (stated**2 + 0.2**2), REACH)
    ahead, behind = np.roll(tangents, -REACH, axis=0), np.roll(tangents, REACH, axis=0)
    cross = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
    bend = np.arctan2(cross, np.sum(ahead * behind, axis=1))
    n = len(points)
    return Outline(points, tangents, stated, bend, np.full(n, 30.0), np.ones(n, dtype=bool))


def lying_axis(solid, contacts, bench_mm, errors_mm, middle_mm, heading_rad):
    """Return the axis of a solid that lies on the bench on two of its circles.

    Parameters
    ----------
    contacts : two (z, r) of circles that touch the bench; `errors_mm` how far off it they are.
    middle_mm : (x, y) over which the middle of the axis lies; `heading_rad` of rising z there.
    """
    (z1, r1), (z2, r2) = contacts
    # h(z) = h0 + z sin(beta); h(zi) - ri cos(beta) = bench + ei.
    rise = 0.0
    for _ in range(50):
        rise = np.arcsin(((r2 - r1) * np.cos(rise) + errors_mm[1] - errors_mm[0]) / (z2 - z1))
    h0 = bench_mm + errors_mm[0] + r1 * np.cos(rise) - z1 * np.sin(rise)
    flat = np.array([np.cos(heading_rad), np.sin(heading_rad)])
    d = np.array([*(np.cos(rise) * flat), np.sin(rise)])
    start = np.array([*(np.asarray(middle_mm) - 0.5 * solid.length * d[:2]), h0])
    return Axis(start, d)
