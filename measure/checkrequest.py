"""From the words of the command line to a check's request."""

from __future__ import annotations

from calib.refusal import BadFileError
from measure.check import CheckRequest
from measure.plantoml import parse_datum
from measure.tolerances import parse_tolerance

__all__ = ["build_check_request"]


def build_check_request(
    tolerance: str | None, datum: str | None, flip: str, same_photo: bool
) -> CheckRequest:
    """Return the request that the options stand for.

    Raises
    ------
    BadFileError
        A word that is not known, or a number that makes no sense.
    """
    if flip.strip().lower() not in ("auto", "yes", "no"):
        raise BadFileError("bad-option", f"--flip {flip} is not known.", "Say auto, yes or no.")
    return CheckRequest(
        tolerance=None if tolerance is None else parse_tolerance(tolerance),
        datum=None if datum is None else parse_datum(datum),
        flip=flip.strip().lower(),
        same_photo=same_photo,
    )
