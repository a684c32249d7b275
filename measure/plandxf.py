"""Outlines from DXF drawings."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
from ezdxf import path as dxf_path
from ezdxf.lldxf.const import DXFError
from ezdxf.recover import readfile as recover_file

from calib.refusal import BadFileError
from measure.planchains import Chain
from measure.planunits import ask_for_units, mm_per_unit

__all__ = ["CHORD_MM", "dxf_chains"]

CHORD_MM = 0.005
"""Curves become chords that leave them by at most this, mm."""

# DXF $INSUNITS codes for the units that a workshop drawing may have (DXF reference, header).
_MM_PER_INSUNITS = {1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0}
_CENTRE = re.compile(r"cent(re|er)|axis", re.IGNORECASE)
_DRAWN = {
    "LINE", "LWPOLYLINE", "POLYLINE", "ARC", "SPLINE", "ELLIPSE", "CIRCLE",
}  # fmt: skip


def dxf_chains(path: Path, units: str | None, layer: str | None) -> list[Chain]:
    """Return the lines of a drawing's model space, mm; text and dimensions are left aside.

    Parameters
    ----------
    path : the DXF file.
    units : what the turner says, which wins over the file; None to believe the file.
    layer : read only this layer, besides centre lines; None for all.

    Raises
    ------
    BadFileError
        The file is no DXF, or does not say its units.
    """
    try:
        document, _ = recover_file(path)
    except (DXFError, ValueError, UnicodeError, KeyError, TypeError, AttributeError):
        raise BadFileError(
            "plan-unreadable",
            f"{path.name} is not a DXF drawing that can be read.",
            "Save it again as DXF (R2000 or later), or export the outline as SVG.",
        ) from None
    factor = _factor(document, units, path.name)
    chains: list[Chain] = []
    for entity in _exploded(document.modelspace()):
        chain = _chain_of(entity, factor)
        if chain is not None and (
            layer is None or chain.centre_line or chain.layer.lower() == layer.lower()
        ):
            chains.append(chain)
    return chains


def _factor(document: Any, units: str | None, name: str) -> float:
    if units is not None:
        return mm_per_unit(units)
    code = int(document.header.get("$INSUNITS", 0))
    if code not in _MM_PER_INSUNITS:
        raise ask_for_units(name, "does not say its units")
    return _MM_PER_INSUNITS[code]


def _exploded(space: Any) -> list[Any]:
    """Return entities with blocks taken apart, their placing applied."""
    entities: list[Any] = []
    for entity in space:
        if entity.dxftype() == "INSERT":
            entities.extend(_exploded(entity.virtual_entities()))
        else:
            entities.append(entity)
    return entities


def _chain_of(entity: Any, factor: float) -> Chain | None:
    if entity.dxftype() not in _DRAWN or int(entity.dxf.get("invisible", 0)):
        return None
    try:
        curve = dxf_path.make_path(entity)
    except (TypeError, ValueError, DXFError):
        return None
    points = np.array([(p.x, p.y) for p in curve.flattening(CHORD_MM / factor)], dtype=np.float64)
    if len(points) < 2 or not np.all(np.isfinite(points)):
        return None
    layer = str(entity.dxf.get("layer", "0"))
    words = f"{layer} {entity.dxf.get('linetype', '')}"
    return Chain(points * factor, layer, bool(_CENTRE.search(words)) and len(points) == 2)
