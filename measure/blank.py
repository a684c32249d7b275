"""The blank: what to saw, from how many layers, how many from a plank."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor

from calib.refusal import BadFileError, RefusalError

__all__ = [
    "Allowances",
    "Blank",
    "Layer",
    "Plank",
    "blank_for",
    "check_layers",
    "count_from",
    "parse_layers",
    "parse_plank",
]


@dataclass(frozen=True, slots=True)
class Allowances:
    """What is cut off again, mm.

    The defaults make a 70 x 70 x 250 blank of a piece of 180 mm length and 60 mm largest
    diameter (common practice, no source).
    """

    diameter_mm: float = 10.0
    chucking_mm: float = 45.0
    parting_mm: float = 10.0
    squaring_mm: float = 15.0
    planing_mm: float = 3.0
    kerf_mm: float = 3.0

    @property
    def length_mm(self) -> float:
        """Chucking, parting and squaring together."""
        return self.chucking_mm + self.parting_mm + self.squaring_mm


@dataclass(frozen=True, slots=True)
class Blank:
    """A square blank for one part, mm.

    Attributes
    ----------
    part : "piece", "body", "cap", or "both in one length".
    side_mm, length_mm : to saw, whole millimetres.
    finished_mm : length of the part, hidden neck included.
    """

    part: str
    side_mm: float
    length_mm: float
    finished_mm: float


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer of a glued-up blank, mm: thickness after planing and as sawn."""

    wood: str
    planed_mm: float
    sawn_mm: float


@dataclass(frozen=True, slots=True)
class Plank:
    """Length along the grain, width and thickness of a plank, mm."""

    length_mm: float
    width_mm: float
    thickness_mm: float


def blank_for(part: str, largest_mm: float, finished_mm: float, allow: Allowances) -> Blank:
    """Return the blank for a part of a largest diameter and a finished length, mm.

    Sizes go up to whole millimetres; half a millimetre in excess of one is let go.
    """
    side = ceil(largest_mm + allow.diameter_mm - 0.5)
    length = ceil(finished_mm + allow.length_mm - 0.5)
    return Blank(part, float(side), float(length), finished_mm)


def parse_layers(text: str, allow: Allowances) -> tuple[Layer, ...]:
    """Read layers as "maple 20, walnut 5, maple 45": wood and thickness after planing, mm.

    Raises
    ------
    BadFileError
        `layers` if a layer has no name or no sensible thickness.
    """
    layers = []
    for item in text.split(","):
        wood, _, number = item.strip().rpartition(" ")
        try:
            planed = float(number)
        except ValueError:
            planed = -1.0
        if not wood.strip() or not 0.3 <= planed <= 500.0:
            raise BadFileError(
                "layers",
                f'"{item.strip()[:40]}" is no layer.',
                'Write wood and planed thickness in mm, such as "maple 20, walnut 5, maple 45".',
            )
        layers.append(Layer(wood.strip()[:40], planed, planed + allow.planing_mm))
    return tuple(layers)


def check_layers(layers: tuple[Layer, ...], side_mm: float) -> float:
    """Return the thickness of the planed layers together, mm.

    Raises
    ------
    RefusalError
        `layers-thin` if they do not reach the side of the blank.
    """
    total = sum(layer.planed_mm for layer in layers)
    if total < side_mm - 1e-6:
        raise RefusalError(
            "layers-thin",
            f"The layers make {total:g} mm once planed, the blank needs {side_mm:g} mm.",
            f"Add {side_mm - total:g} mm to the outer layers or set a smaller --allow-diameter.",
        )
    return total


def parse_plank(text: str) -> Plank:
    """Read a plank as LENGTHxWIDTHxTHICKNESS in mm.

    Raises
    ------
    BadFileError
        `plank` if these are not three sensible numbers.
    """
    try:
        length, width, thickness = (float(v) for v in text.lower().replace("×", "x").split("x"))
        good = all(1.0 <= v <= 20000.0 for v in (length, width, thickness))
    except ValueError:
        good = False
    if not good:
        raise BadFileError(
            "plank",
            f'"{text[:40]}" is no plank.',
            "Write length x width x thickness in mm, such as 2000x200x80.",
        )
    return Plank(length, width, thickness)


def count_from(
    plank: Plank,
    side_mm: float,
    length_mm: float,
    kerf_mm: float,
    layers: tuple[Layer, ...] = (),
) -> int:
    """Return how many blanks a plank gives, the grain along each, a saw kerf between them.

    Of a glued-up blank how many of its thickest layer, as sawn: thinner ones come more easily.

    Raises
    ------
    RefusalError
        `plank-small` if not even one fits.
    """

    def times(whole: float, part: float) -> int:
        return floor((whole + kerf_mm) / (part + kerf_mm) + 1e-9)

    thick = max((layer.sawn_mm for layer in layers), default=side_mm)
    across, deep = times(plank.width_mm, side_mm), times(plank.thickness_mm, thick)
    count = times(plank.length_mm, length_mm) * across * deep
    if count:
        return count
    short = [
        f"{name} {have:g} for {need:g}"
        for name, have, need in (
            ("length", plank.length_mm, length_mm),
            ("width", plank.width_mm, side_mm),
            ("thickness", plank.thickness_mm, thick),
        )
        if have < need
    ]
    raise RefusalError(
        "plank-small",
        f"The {'thickest layer, as sawn,' if layers else 'blank'} {thick:g} x {side_mm:g} x "
        f"{length_mm:g} mm does not fit the plank: {', '.join(short)} mm.",
        "Take a larger plank, thinner layers, or allow less."
        if layers
        else "Take a larger plank, glue the blank up from layers (--layers), or allow less.",
    )
