"""Caliper settings: where along the piece to set which diameter."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil

from measure.features import Feature
from measure.inches import FINEST, MM_PER_INCH
from measure.units import Units

__all__ = ["MEASURE", "STEP_MM", "Setting", "caliper_setting", "setting_words", "settings_of"]

MEASURE = "measure"
"""Stands in place of a size that is not known well enough to part down to."""
LOOSE_MM = 1.0
"""Known no better than this, two steps of the caliper, a size is not to be parted down to
(common practice, no source)."""

STEP_MM = 0.5
LEAVE_MM = 0.05
"""An excess that the tenths of the diameter beside it do not show, mm."""
GAP_MM = 1.0
"""Nothing is set so near to a stretch that was not seen: its edge is no edge of the piece."""
SAME_MM = 0.3
"""Two settings nearer than this along the axis and on the diameter are one."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One diameter to turn to; millimetres.

    Attributes
    ----------
    z_mm : from the start end.
    name : what is turned there.
    diameter_mm, u95_mm : exact value and its 95 % half-width.
    setting_mm : for the caliper while turning: up to the next 0.5 mm, since wood that is left
        proud can still come off.
    width_mm, height_mm : of a whole bead, cove, swell or hollow; 0 where there is none.
    """

    z_mm: float
    name: str
    diameter_mm: float
    u95_mm: float
    setting_mm: float
    width_mm: float = 0.0
    height_mm: float = 0.0

    @property
    def is_known(self) -> bool:
        """Whether the diameter is known well enough to part down to."""
        return self.u95_mm <= LOOSE_MM


def caliper_setting(diameter_mm: float, step_mm: float = STEP_MM) -> float:
    """Return the diameter rounded up to a step; 0.05 mm over a step counts as that step."""
    return max(ceil((diameter_mm - LEAVE_MM) / step_mm - 1e-9), 0) * step_mm


def setting_words(setting: Setting, units: Units) -> str:
    """Return a caliper setting as it stands on the sheet: to 0.5 mm or 1/64 inch.

    `measure` where the size is not known well enough.
    """
    if not setting.is_known:
        return MEASURE
    step = MM_PER_INCH / FINEST if units.inches else STEP_MM
    return units.number(caliper_setting(setting.diameter_mm, step))


def settings_of(features: tuple[Feature, ...]) -> tuple[Setting, ...]:
    """Return the settings for features in order along the axis.

    A bead is set at its crest, a cove at its bottom, a flat in its middle, a taper, ogee or
    quarter round at both ends, a shoulder on both sides; what the neighbour already says is
    not said twice. Where a feature begins or ends at a gap nothing is set, and of a taper, ogee
    or quarter round that is seen in part only neither end: what it is cannot be told.
    """
    wishes: list[tuple[int, Setting]] = []
    for i, f in enumerate(features):
        first, last = i == 0, i == len(features) - 1
        if f.kind in ("cylinder", "fillet", "tenon"):
            wishes.append((0, _setting(f.z_mid_mm, f.name, f.diameter_mm, f)))
        elif f.kind in ("bead", "cove", "swell", "hollow") and not f.half:
            crest = _setting(f.z_mid_mm, f.name, f.diameter_mm, f)
            if not (f.from_gap or f.to_gap):  # what is seen in part has no known width
                crest = replace(crest, width_mm=f.width_mm, height_mm=f.height_mm)
            wishes.append((0, crest))
            ends = [(f.z_from_mm, f.diameter_from_mm), (f.z_to_mm, f.diameter_to_mm)]
            wishes += [(3, _setting(z, f"end of {f.kind}", d, f)) for z, d in ends]
        elif f.kind == "shoulder":
            small, large = sorted((f.diameter_from_mm, f.diameter_to_mm))
            wishes.append((2, _setting(f.z_mid_mm, "shoulder", large, f)))
            wishes.append((2, _setting(f.z_mid_mm, "shoulder", small, f)))
        elif not (f.from_gap or f.to_gap):
            start = f"{f.name}, end" if first else f"{f.name} from"
            stop = f"{f.name}, end" if last else f"{f.name} to"
            wishes.append((1, _setting(f.z_from_mm, start, f.diameter_from_mm, f)))
            wishes.append((1, _setting(f.z_to_mm, stop, f.diameter_to_mm, f)))
    flats = [f for f in features if f.kind in ("cylinder", "fillet", "tenon")]
    gaps = [f.z_from_mm for f in features if f.from_gap]
    gaps += [f.z_to_mm for f in features if f.to_gap]
    kept: list[Setting] = []
    for rank, wish in sorted(wishes, key=lambda w: (w[0], w[1].z_mm)):
        if wish.diameter_mm < 1.0 or any(abs(wish.z_mm - z) < GAP_MM for z in gaps):
            continue
        known = any(
            abs(k.z_mm - wish.z_mm) < 2.0 * SAME_MM and abs(k.diameter_mm - wish.diameter_mm) < 0.5
            for k in kept
        ) or (rank > 0 and any(_on_flat(f, wish) for f in flats))
        if not known:
            kept.append(wish)
    return tuple(sorted(kept, key=lambda s: s.z_mm))


def _on_flat(flat: Feature, wish: Setting) -> bool:
    near = flat.z_from_mm - SAME_MM <= wish.z_mm <= flat.z_to_mm + SAME_MM
    return near and abs(flat.diameter_mm - wish.diameter_mm) < SAME_MM


def _setting(z: float, name: str, diameter: float, feature: Feature) -> Setting:
    return Setting(z, name, diameter, feature.u95_mm, caliper_setting(diameter))
