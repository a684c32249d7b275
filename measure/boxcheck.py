"""Whether a box that was drawn lies in the photo."""

from __future__ import annotations

from calib.refusal import BadFileError

__all__ = ["check_box"]

LEAST_PX = 32.0
"""A box that shows less of the photo than this holds no piece."""


def check_box(
    size_px: tuple[int, int], box_px: tuple[float, float, float, float] | None, photo_name: str
) -> None:
    """Refuse a box that lies outside the photo.

    Parameters
    ----------
    size_px : (width, height) of the photo as displayed.
    box_px : (x, y, width, height), or None for all of the photo.

    Raises
    ------
    BadFileError
        Code `bad-option`.
    """
    if box_px is None:
        return
    x, y, width, height = box_px
    shown = (min(x + width, size_px[0]) - x, min(y + height, size_px[1]) - y)
    if min(shown) < LEAST_PX:
        raise BadFileError(
            "bad-option",
            f"The box shows next to nothing of {photo_name}, which is {size_px[0]} x {size_px[1]} "
            "pixels.",
            "Give --box X,Y,W,H: its upper left corner, then width and height, in its pixels.",
        )
