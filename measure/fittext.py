"""What a fit says on the terminal."""

from __future__ import annotations

from measure.fitjudge import FitReport
from measure.inches import MM_PER_INCH
from measure.mating import FitPreset, Mating, Size
from measure.units import Units

__all__ = ["chance_words", "fit_text"]

CLEAR_CHANCE = 0.9


def fit_text(report: FitReport, units: Units) -> str:
    """Return the two sizes, the clearance, and for each fit its chance and what to do."""
    mating = report.mating
    spread = f"{_small(mating.clearance_mm, units)} ±{_small(mating.u95_mm, units)} {units.name}"
    if report.of_mechanism:
        lines = [
            f"Needed     {_size(report.part, units)}",
            f"Bore       {_size(report.hole, units)}",
            f"Bore less needed  {spread} on the diameter",
        ]
    else:
        lines = [
            f"Part       {_size(report.part, units)}",
            f"Hole       {_size(report.hole, units)}",
            f"Clearance  {spread} on the diameter; chance that it goes in: "
            f"{chance_words(mating.chance_goes_in)}",
        ]
    if mating.one_photo and min(report.part.u95_common_mm, report.hole.u95_common_mm) > 0.0:
        lines.append("           (from one photo: what both share has cancelled)")
    width = max(len(preset.name) for preset, _ in report.fits)
    lines.append("")
    heading = "allowed" if report.of_mechanism else "clearance wanted"
    lines.append(f"{'fit':<{width}}  {heading:<17}  {'chance':<10}  what to do")
    for preset, one in report.fits:
        wanted = f"{_small(preset.least_mm, units)} to {_small(preset.most_mm, units)}"
        chance = chance_words(one.chance_wanted)
        advice = _bore_advice if report.of_mechanism else _advice
        lines.append(
            f"{preset.name:<{width}}  {wanted:<17}  {chance:<10}  {advice(preset, one, units)}"
        )
    return "\n".join(lines)


def chance_words(chance: float) -> str:
    """Return a chance in per cent, never as certain."""
    if chance > 0.99:
        return "over 99 %"
    if chance < 0.01:
        return "under 1 %"
    return f"{100.0 * chance:.0f} %"


def _advice(preset: FitPreset, mating: Mating, units: Units) -> str:
    if mating.take_off_mm > 0.0:
        total = f"take {_small(mating.take_off_mm, units)} off the part, or out of the hole"
        if mating.safe_first_mm <= 0.0:
            return f"{total}; measure with calipers first"
        if mating.safe_first_mm < mating.take_off_mm - 0.005:
            first = _small(mating.safe_first_mm, units, down=True)
            return f"{total}: {first} at once, then try"
        return total
    if mating.too_loose_mm > 0.0:
        loose = f"too loose by {_small(mating.too_loose_mm, units)}"
        if mating.too_loose_mm <= mating.u95_mm:
            return f"maybe {loose}: measure both with calipers"
        return f"{loose}; turn a new part or bush the hole"
    if mating.chance_wanted >= CLEAR_CHANCE:
        return preset.says
    return "as wanted if it is as measured: try it, or use calipers"


def _bore_advice(preset: FitPreset, mating: Mating, units: Units) -> str:
    if mating.take_off_mm > 0.0:
        wider = _small(mating.take_off_mm, units)
        if preset.least_mm - mating.clearance_mm <= mating.u95_mm:
            return f"maybe {wider} too narrow: measure it with calipers before you bore"
        return f"bore it {wider} wider"
    if mating.too_loose_mm > 0.0:
        wide = f"too wide by {_small(mating.too_loose_mm, units)}"
        if mating.too_loose_mm <= mating.u95_mm:
            return f"maybe {wide}: measure it with calipers"
        return f"{wide}; bush it"
    if mating.chance_wanted >= CLEAR_CHANCE:
        return f"within {preset.says}"
    return f"within {preset.says} if it is as measured: use calipers"


def _size(size: Size, units: Units) -> str:
    if size.u95_mm <= 0.0:
        exact = f"{units.number(size.diameter_mm)} {units.name}"
        return f"{exact}  {size.source}"
    return f"{units.with_spread(size.diameter_mm, size.u95_mm)}  {size.source}"


def _small(mm: float, units: Units, down: bool = False) -> str:
    """Return a clearance: hundredths of a millimetre, or thousandths of an inch."""
    value, decimals = (mm / MM_PER_INCH, 3) if units.inches else (mm, 2)
    if down:
        value = int(value * 10**decimals) / 10**decimals
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text
