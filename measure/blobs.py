"""Connected parts of a mask and how large each is."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["blobs_of"]


def blobs_of(mask: NDArray[np.uint8]) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    """Return a mask's parts, connected by sides or corners, and their sizes.

    OpenCV's statistics of them, of which the size is the only one needed here, take ten times as
    long as the parts themselves.

    Parameters
    ----------
    mask : (h, w) nonzero inside.

    Returns
    -------
    labels : (h, w) number of the part that each pixel belongs to; 0 outside.
    sizes : (parts + 1,) pixels of each part; 0 for the outside.
    """
    count, labels = cv2.connectedComponents(mask)
    sizes = np.bincount(labels[mask > 0], minlength=count)
    return np.asarray(labels, dtype=np.int32), np.asarray(sizes, dtype=np.int64)
