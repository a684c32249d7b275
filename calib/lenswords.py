"""A calibration in the turner's words: what the terminal says."""

from __future__ import annotations

import numpy as np

from calib.lenscalibrate import corner_points
from calib.lenscoverage import bend_sd_px
from calib.lensfile import SavedLens

__all__ = ["lens_words"]


def lens_words(
    saved: SavedLens, left_out: tuple[tuple[str, str], ...], name: str | None, files: list[str],
    advice: str,
) -> str:  # fmt: skip
    """Return what the terminal shows of a calibration.

    Parameters
    ----------
    saved : the lens; left_out : (photo, why); name : under which it was kept, None if it was not.
    files : what was written; advice : for the next photo, empty for none.
    """
    lens = saved.lens
    sd = np.sqrt(np.diag(lens.covariance))
    bend = 1.96 * float(bend_sd_px(lens, corner_points(lens.size_px)).max())
    lines = [
        f"Lens known: focal length to {max(0.01, 196.0 * sd[0] / lens.focal_px):.2f} %, bending at "
        f"the picture's corners to {max(0.1, bend):.1f} px (95 %).",
        f"Focal length {lens.focal_px:.1f} ± {max(0.1, 1.96 * sd[0]):.1f} px; centre "
        f"{lens.centre_px[0]:.1f}, {lens.centre_px[1]:.1f} "
        f"(± {max(0.1, 1.96 * max(sd[1], sd[2])):.1f}); "
        f"k1 {lens.k1:.4f}, k2 {lens.k2:.4f}.",
        f"From {saved.photos} photos, corners {saved.rms_px:.3f} px off (rms); "
        f"model: {saved.terms}.",
    ]
    lines += [f"Left out {photo}: {why}." for photo, why in left_out]
    if advice:
        lines.append(f"Next photo: {advice}")
    if name is not None:
        lines.append(f"Saved as {name}; later photos from this camera use it by themselves.")
    if files:
        lines.append(f"Wrote {', '.join(files)}.")
    return "\n".join(lines)
