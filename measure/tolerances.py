"""General tolerances of ISO 2768-1 for diameters, as presets."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.decimals import unclear_pair
from calib.refusal import BadFileError

__all__ = ["CLASSES", "general_tolerance", "parse_tolerance"]

FloatArray = NDArray[np.float64]

# ISO 2768-1:1989, table 1, linear dimensions except broken edges, permissible deviations in mm.
# The values of classes m and c for 30 to 120 mm were checked against a second statement of
# them; all others are from memory, the standard itself could not be seen.
_OVER_MM = np.array([0.5, 3.0, 6.0, 30.0, 120.0, 400.0, 1000.0, 2000.0])
"""Lower bounds of the size ranges, mm; a size on a bound belongs to the range below it."""
CLASSES: dict[str, tuple[float, ...]] = {
    "f": (0.05, 0.05, 0.1, 0.15, 0.2, 0.3, 0.5, np.nan),
    "m": (0.1, 0.1, 0.2, 0.3, 0.5, 0.8, 1.2, 2.0),
    "c": (0.2, 0.3, 0.5, 0.8, 1.2, 2.0, 3.0, 4.0),
    "v": (np.nan, 0.5, 1.0, 1.5, 2.5, 4.0, 6.0, 8.0),
}
"""Permissible deviation, plus and minus, mm, of fine, medium, coarse and very coarse."""


def general_tolerance(diameter_mm: FloatArray, grade: str) -> FloatArray:
    """Return the permissible deviation (plus and minus), mm, of each diameter.

    Parameters
    ----------
    diameter_mm : any shape. Sizes below 0.5 mm, for which the standard wants a tolerance of
        their own, get that of the smallest range; so do those for which the class has none.
    grade : "f", "m", "c" or "v".

    References
    ----------
    [ISO2768-1], table 1.
    """
    if grade not in CLASSES:
        raise ValueError(f"class {grade!r}; need one of {', '.join(CLASSES)}")
    values = np.array(CLASSES[grade])
    known = np.nonzero(np.isfinite(values))[0]
    # side="left": exactly 30 mm still belongs to "over 6 up to 30".
    index = np.searchsorted(_OVER_MM, np.asarray(diameter_mm, dtype=np.float64), side="left") - 1
    return np.asarray(values[np.clip(index, known[0], known[-1])])


def parse_tolerance(text: str) -> str | tuple[float, float]:
    """Return what `--tolerance` or a plan file says: a class, or (proud, shy) in mm.

    Raises
    ------
    BadFileError
        The text is neither one or two numbers nor a class.
    """
    word = text.strip().lower()
    if word in CLASSES:
        return word
    if unclear_pair(word):
        raise BadFileError(
            "tolerance",
            f"The tolerance {text!r} may mean two things: a comma stands between two numbers.",
            "Write 0.3, not 0,3; or 0.0,3.0 for none proud and 3 mm shy.",
        )
    parts = word.split(",")
    try:
        numbers = [float(part) for part in parts]
    except ValueError:
        numbers = []
    if len(numbers) == 1:
        numbers *= 2
    if len(numbers) != 2 or not all(np.isfinite(v) and 0.0 <= v <= 100.0 for v in numbers):
        raise BadFileError(
            "tolerance",
            f"The tolerance {text!r} is not PROUD,SHY in mm on the diameter.",
            "Write for instance 0.3,0.2, with points - or f, m, c or v, a class of ISO 2768-1.",
        )
    return numbers[0], numbers[1]
