"""The outline for other tools: DXF, SVG, STL and CSV, all in millimetres at 1:1."""

from __future__ import annotations

import io
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from calib.refusal import RefusalError
from measure.chain import Chain
from measure.onelines import one_line
from measure.profile import Profile
from measure.wall import Bored

__all__ = ["LAYERS", "dxf_text", "profile_rows_csv", "stl_bytes", "svg_text"]

FloatArray = NDArray[np.float64]

LAYERS = {"outline": 7, "axis": 1, "bores": 5, "notes": 8}
"""Layers in words, with the colour index of each (7 is black or white)."""
SECTORS = 180
"""Of the solid: the polygon of 180 sides is 0.02 % smaller in area than the circle."""
STL_STEP_MM = 0.01


def dxf_text(chains: list[Chain], title: str, bores: tuple[Bored, ...], note: str) -> str:
    """Return a DXF drawing: both sides of the outline, shoulders and axis, z to the right.

    Lines and arcs are polylines whose bulges are the arcs, one for each gapless stretch and
    side; gaps stay open. The tolerance of the arcs belongs into `note`.
    """
    from ezdxf.filemanagement import new

    document = new("R2010", setup=["linetypes"], units=4)
    document.header["$MEASUREMENT"] = 1
    for name, colour in LAYERS.items():
        document.layers.add(name, color=colour)
    document.layers.get("axis").dxf.linetype = "CENTER"
    space = document.modelspace()
    for chain in chains:
        for side in (1.0, -1.0):
            # DXF counts a bulge positive to the right of the way; above the axis, z rising,
            # that is toward the axis.
            bulge = np.append(-side * chain.bulge, 0.0)
            rows = np.column_stack([chain.z_mm, side * chain.r_mm, bulge])
            space.add_lwpolyline(rows.tolist(), format="xyb", dxfattribs={"layer": "outline"})
    low = min(float(c.z_mm[0]) for c in chains)
    high = max(float(c.z_mm[-1]) for c in chains)
    space.add_line((low - 5.0, 0.0), (high + 5.0, 0.0), dxfattribs={"layer": "axis"})
    for placed in bores:
        r = 0.5 * placed.bore.diameter_mm
        corners = [(placed.low_mm, r), (placed.high_mm, r), (placed.high_mm, -r),
                   (placed.low_mm, -r)]  # fmt: skip
        space.add_lwpolyline(corners, close=True, dxfattribs={"layer": "bores"})
    below = -max(float(np.max(c.r_mm)) for c in chains) - 8.0
    for i, line in enumerate((title, note)):
        text = space.add_text(_plain_dxf(line), height=3.0, dxfattribs={"layer": "notes"})
        text.set_placement((low, below - 5.0 * i))
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue()


def _plain_dxf(text: str) -> str:
    """Take line ends out and disarm the codes that DXF readers expand: %% and ^."""
    return one_line(text).replace("%%", "% %").replace("^", "^ ")


def svg_text(chains: list[Chain], title: str, bores: tuple[Bored, ...]) -> str:
    """Return an SVG drawing at 1:1: width and height in mm, one user unit a millimetre."""
    low = min(float(c.z_mm[0]) for c in chains)
    high = max(float(c.z_mm[-1]) for c in chains)
    r = max(float(np.max(c.r_mm)) for c in chains) + 5.0
    left, width = low - 10.0, high - low + 20.0
    paths = [_svg_path(chain, side) for chain in chains for side in (-1.0, 1.0)]
    body = [f'<path class="outline" d="{d}"/>' for d in paths]
    holes = [
        f'<rect x="{b.low_mm:.4f}" y="{-0.5 * b.bore.diameter_mm:.4f}" '
        f'width="{b.high_mm - b.low_mm:.4f}" height="{b.bore.diameter_mm:.4f}"/>'
        for b in bores
    ]
    return "\n".join(
        [
            '<?xml version="1.0" encoding="UTF-8"?>',
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.4f}mm" '
            f'height="{2 * r:.4f}mm" viewBox="{left:.4f} {-r:.4f} {width:.4f} {2 * r:.4f}">',
            f"<title>{escape(one_line(title))}</title>",
            '<g id="outline" fill="none" stroke="black" stroke-width="0.25">',
            *body,
            "</g>",
            *(['<g id="bores" fill="none" stroke="black" stroke-width="0.18">', *holes, "</g>"]
              if holes else []),
            f'<line id="axis" x1="{low - 5:.4f}" y1="0" x2="{high + 5:.4f}" y2="0" '
            'stroke="black" stroke-width="0.13" stroke-dasharray="8 1.5 1 1.5"/>',
            "</svg>",
            "",
        ]
    )  # fmt: skip


def _svg_path(chain: Chain, side: float) -> str:
    """Return path data of one side; y runs downward, so side -1 is the upper half."""
    parts = [f"M {chain.z_mm[0]:.4f} {side * chain.r_mm[0]:.4f}"]
    for k in range(len(chain.bulge)):
        end = f"{chain.z_mm[k + 1]:.4f} {side * chain.r_mm[k + 1]:.4f}"
        if chain.is_arc(k):
            chord = float(np.hypot(chain.z_mm[k + 1] - chain.z_mm[k],
                                   chain.r_mm[k + 1] - chain.r_mm[k]))  # fmt: skip
            b = abs(float(chain.bulge[k]))
            radius = 0.25 * chord * (b + 1.0 / b)
            sweep = int((chain.bulge[k] > 0.0) == (side < 0.0))
            parts.append(f"A {radius:.5f} {radius:.5f} 0 {int(b > 1.0)} {sweep} {end}")
        else:
            parts.append(f"L {end}")
    return " ".join(parts)


def stl_bytes(profile: Profile) -> bytes:
    """Return the outside of the piece as a closed binary STL, axis along Z, foot at Z = 0.

    Raises
    ------
    RefusalError
        `gap-in-solid` if part of the profile was not seen.
    """
    import trimesh

    if len(profile.pieces()) > 1:
        raise RefusalError(
            "gap-in-solid",
            "Part of the profile was not seen, so there is no solid to write.",
            "Trace the piece from another side, or fill the gap in the CSV yourself.",
        )
    z, r = _fewer(profile.z_mm, 0.5 * profile.diameter_mm)
    vertices, faces = _revolved(z, r)
    solid = trimesh.Trimesh(vertices=vertices, faces=faces, process=False)
    stream = io.BytesIO()
    solid.export(stream, file_type="stl")
    return stream.getvalue()


def _fewer(z: FloatArray, r: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Drop rows that lie on a straight line with their neighbours, shoulders kept."""
    keep = [0]
    for i in range(1, len(z) - 1):
        a = keep[-1]
        span = np.hypot(z[i + 1] - z[a], r[i + 1] - r[a])
        between = slice(a + 1, i + 1)
        off = (z[between] - z[a]) * (r[i + 1] - r[a]) - (r[between] - r[a]) * (z[i + 1] - z[a])
        if span == 0.0 or float(np.max(np.abs(off))) > STL_STEP_MM * span:
            keep.append(i)
    keep.append(len(z) - 1)
    return z[keep], r[keep]


def _revolved(z: FloatArray, r: FloatArray) -> tuple[FloatArray, NDArray[np.int64]]:
    """Return vertices (v, 3) and faces (f, 3), seen from outside counter-clockwise.

    Ends are closed by a vertex on the axis; a radius of 0 inside is made a hair's breadth so
    that the surface stays closed.
    """
    r = np.maximum(r, 1e-3)
    angle = 2.0 * np.pi * np.arange(SECTORS) / SECTORS
    rings = np.stack(
        [
            r[:, None] * np.cos(angle),
            r[:, None] * np.sin(angle),
            np.broadcast_to(z[:, None], (len(z), SECTORS)),
        ],
        axis=-1,
    ).reshape(-1, 3)
    vertices = np.concatenate([rings, [[0.0, 0.0, z[0]], [0.0, 0.0, z[-1]]]])
    i = np.arange(SECTORS)
    j = (i + 1) % SECTORS
    ring = SECTORS * np.arange(len(z) - 1)[:, None]
    a, b, c, d = ring + i, ring + j, ring + SECTORS + i, ring + SECTORS + j
    sides = np.concatenate([np.stack([a, b, d], -1), np.stack([a, d, c], -1)]).reshape(-1, 3)
    foot, top = len(rings), len(rings) + 1
    last = SECTORS * (len(z) - 1)
    caps = np.concatenate(
        [
            np.stack([np.full(SECTORS, foot), j, i], -1),
            np.stack([np.full(SECTORS, top), last + i, last + j], -1),
        ]
    )
    return vertices, np.concatenate([sides, caps])


def profile_rows_csv(profile: Profile) -> bytes:
    """Return the rows of the piece as drawn, in the columns of profile.csv."""
    from measure.profilefile import rows_csv

    return rows_csv(profile)
