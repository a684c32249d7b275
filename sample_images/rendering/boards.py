"""Pictures of the project's printed boards, as the printer lays them on paper."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["printed_page"]

DPI = 600.0


@cache
def printed_page(name: str, picture: str) -> NDArray[np.float32]:
    """Return a printed page as linear albedo, (rows, columns, 1); do not write into it.

    Parameters
    ----------
    name : a board of `calib card --size`, drawn here if `picture` is empty.
    picture : path of a picture of the page.

    Raises
    ------
    ValueError
        The picture cannot be read.
    """
    if picture:
        grey = cv2.imread(picture, cv2.IMREAD_GRAYSCALE)
        if grey is None:
            raise ValueError(f"got no picture at {picture}, need the board's page")
    else:
        from calib.board import BOARDS
        from calib.boardpage import board_page, page_picture

        grey = page_picture(board_page(BOARDS[name]), DPI)
    # Toner is not quite black, paper not quite white; edge pixels hold the share of their ink.
    share = grey.astype(np.float32) / 255.0
    return np.asarray((0.035 + 0.74 * share)[..., None], np.float32)
