"""The calibration: sort out the views, choose the terms, judge whether the set is enough."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.lens import Lens
from calib.lenscoverage import Coverage, bend_sd_px, coverage_of
from calib.lensequations import FOCUS_SD, SetFit, Terms
from calib.lensmodel import PageView, page_basis
from calib.lensset import choose_terms, fit_set
from calib.refusal import Notice, RefusalError

__all__ = ["Calibration", "NamedView", "calibrate"]

FloatArray = NDArray[np.float64]

FEWEST_VIEWS = 4
WISHED_VIEWS = 8
BAD_RMS = 3.0
"""A view whose residuals are this many times those of the others is left out."""
BAD_SHARE = 0.25
"""A view with this share of corners that do not fit is left out."""
SAME_PX = 0.004
"""Two photos whose corners all lie within this share of the picture's diagonal are as good as
one: about 1.3 mm of camera movement at arm's length."""
FOCAL_SD_REFUSED = 0.005
"""Relative standard deviation of the focal length: a sixth of what EXIF alone gives."""
BEND_SD_REFUSED, BEND_JUDGED_AT = 1.2e-3, 0.7
"""Standard deviation of the bending over the diagonal (6 px of 12 megapixels), at this share of
the way from the middle to the corners: as much as is believed without any calibration."""
STEEP_DEG = 15.0
REACH_REFUSED, REACH_WISHED = 0.55, 0.8
BOW_NAMED_MM = 0.3
RATIO_NAMED = 0.005
NEEDS_MORE = 3.0
"""Gain of ln evidence by a third distortion term above which two are said to be too few."""


@dataclass(frozen=True, slots=True)
class NamedView:
    """A view with the name of its photo."""

    name: str
    view: PageView


@dataclass(frozen=True, slots=True)
class Calibration:
    """A lens from a set, with all that the report tells of it.

    Attributes
    ----------
    lens : for the picture as stored; the covariance is that of the photos alone, without the
        autofocus of later photos.
    focus_sd : relative spread of the focal length between photos to allow for later.
    fit : the estimate; `fit.poses` and the rest are in the order of `used`.
    used : views that carry it.
    left_out : (name, why) of the views that do not.
    rivals : choices of terms tried, with their ln evidence less that of the winner.
    coverage : where the corners were.
    bow_mm : largest height of the page's bow in any photo; 0 if the page counts as flat.
    notices : what the turner should know.
    """

    lens: Lens
    focus_sd: float
    fit: SetFit
    used: tuple[NamedView, ...]
    left_out: tuple[tuple[str, str], ...]
    rivals: dict[Terms, float]
    coverage: Coverage
    bow_mm: float
    notices: tuple[Notice, ...]


def calibrate(
    views: Sequence[NamedView],
    size_px: tuple[int, int],
    ratio: float = 1.0,
    ratio_sd: float = 0.003,
    left_out: Sequence[tuple[str, str]] = (),
) -> Calibration:
    """Estimate a lens from the corners of one flat page in several photos.

    Parameters
    ----------
    views : corners by photo, in pixels of the stored picture.
    size_px : (width, height) of the stored picture.
    ratio, ratio_sd : of the page's print, height over width, see `calib.lensset.fit_set`.
    left_out : photos that gave no corners, with the reason; handed on.

    Raises
    ------
    RefusalError
        `lens-too-few`, `lens-flat-views`, `lens-middle-only`, `lens-undetermined`.
    """
    out = list(left_out)
    kept = _without_repeats(views, size_px, out)
    while True:
        if len(kept) < FEWEST_VIEWS:
            raise _too_few(len(kept), len(views) + len(left_out), out)
        fit, rivals = choose_terms([v.view for v in kept], size_px, ratio_sd, ratio)
        bad = _worst(fit, kept)
        if bad is None:
            break
        index, why = bad
        out.append((kept[index].name, why))
        kept = [v for i, v in enumerate(kept) if i != index]
    plain = [v.view for v in kept]
    lens = _lens_of(fit, plain, size_px, ratio_sd, ratio)
    coverage = coverage_of(plain, fit.poses, size_px)
    _refuse_undetermined(lens, coverage)
    bow = _bow_mm(fit, plain)
    moved = float(np.sqrt(np.mean([pose.focus**2 for pose in fit.poses])))
    return Calibration(
        lens=lens,
        focus_sd=max(FOCUS_SD, moved),
        fit=fit,
        used=tuple(kept),
        left_out=tuple(out),
        rivals=rivals,
        coverage=coverage,
        bow_mm=bow,
        notices=_notices(lens, coverage, fit, rivals, bow, len(kept), ratio, ratio_sd),
    )


def _without_repeats(
    views: Sequence[NamedView], size_px: tuple[int, int], out: list[tuple[str, str]]
) -> list[NamedView]:
    """Leave out photos taken from the same place: they would count one set of errors twice."""
    kept: list[NamedView] = []
    limit = SAME_PX * float(np.hypot(*size_px))
    for view in views:
        twin = next((k for k in kept if _apart(k.view, view.view) < limit), None)
        if twin is None:
            kept.append(view)
        else:
            out.append((view.name, f"taken from the same place as {twin.name}, or the same photo"))
    return kept


def _apart(a: PageView, b: PageView) -> float:
    """Return the largest distance between the same corners in two views, pixels."""
    places = {(round(x, 3), round(y, 3)): i for i, (x, y) in enumerate(a.points_mm)}
    pairs = [
        (places[key], j)
        for j, (x, y) in enumerate(b.points_mm)
        if (key := (round(x, 3), round(y, 3))) in places
    ]
    if len(pairs) < 4:
        return np.inf
    i, j = np.array(pairs).T
    return float(np.linalg.norm(a.points_px[i] - b.points_px[j], axis=1).max())


def _worst(fit: SetFit, kept: Sequence[NamedView]) -> tuple[int, str] | None:
    """Return the view that fits worst and why, or None if all are good."""
    rms = np.array([np.sqrt(np.mean(r**2)) for r in fit.residuals_px])
    off = np.array([np.mean(w < 0.3) for w in fit.weights])
    others = np.array([np.median(np.delete(rms, i)) for i in range(len(rms))])
    index = int(np.argmax(rms / others))
    if off[index] > BAD_SHARE or rms[index] > BAD_RMS * others[index]:
        return index, (
            f"its corners are off by {rms[index]:.2f} px, those of the others by "
            f"{others[index]:.2f} px: blurred, bent, or wrongly found"
        )
    return None


def _lens_of(
    fit: SetFit, views: Sequence[PageView], size_px: tuple[int, int], ratio_sd: float, ratio: float
) -> Lens:
    """Return the lens of a fit.

    Its covariance always allows for both distortion terms: that the data do not need a term
    does not make it known to be nought.
    """
    full = fit
    if fit.terms.distortion < 2:
        full = fit_set(views, fit, Terms(2, fit.terms.bowed, fit.terms.focusing), ratio_sd, ratio)
    scale = np.diag([fit.focal_px, 1.0, 1.0, 1.0, 1.0])
    covariance = scale @ full.covariance[:5, :5] @ scale
    f, cx, cy, k1, k2 = fit.focal_px, *(float(v) for v in fit.common[1:5])
    return Lens(f, (cx, cy), k1, k2, size_px, (covariance + covariance.T) / 2.0, "calibrated")


def _bow_mm(fit: SetFit, views: Sequence[PageView]) -> float:
    """Return the largest height of the page over its chord in any view, mm."""
    if not fit.terms.bowed:
        return 0.0
    heights = [page_basis(v.points_mm) @ p.bow for v, p in zip(views, fit.poses, strict=True)]
    return float(max(np.ptp(h) for h in heights))


def corner_points(size_px: tuple[int, int]) -> FloatArray:
    """Return the middles of the four corner pixels, shape (4, 2)."""
    w, h = size_px[0] - 1.0, size_px[1] - 1.0
    return np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])


def _refuse_undetermined(lens: Lens, coverage: Coverage) -> None:
    focal = float(np.sqrt(lens.covariance[0, 0])) / lens.focal_px
    diagonal = float(np.hypot(*lens.size_px))
    corners = corner_points(lens.size_px)
    judged = corners.mean(axis=0) + BEND_JUDGED_AT * (corners - corners.mean(axis=0))
    bend = float(bend_sd_px(lens, judged).max()) / diagonal
    steep = int(np.sum(coverage.tilts_deg > STEEP_DEG))
    if focal > FOCAL_SD_REFUSED and steep < 3:
        raise RefusalError(
            "lens-flat-views",
            f"Only {steep} of the photos look at the page aslant, so the focal length stays open "
            f"(known to {100 * focal:.1f} %).",
            "Add four photos with the phone tilted 30 to 45 degrees: from the left, the right, "
            "near and far.",
        )
    if coverage.reach < REACH_REFUSED or (bend > BEND_SD_REFUSED and coverage.empty_corners):
        raise RefusalError(
            "lens-middle-only",
            "The page was only in the middle of the photos, so the lens is not known near the "
            "edges.",
            "Add photos with the page in each corner of the picture, or nearer, so that it fills "
            "the frame.",
        )
    if focal > FOCAL_SD_REFUSED or bend > BEND_SD_REFUSED:
        raise RefusalError(
            "lens-undetermined",
            f"These photos are too much alike to know the lens (focal length to "
            f"{100 * focal:.1f} %, bending to {bend * diagonal:.1f} px).",
            "Add photos from other sides: tilted 30 to 45 degrees left, right, near and far, with "
            "the page filling the frame.",
        )


def _too_few(usable: int, given: int, out: Sequence[tuple[str, str]]) -> RefusalError:
    why = f" ({out[0][0]}: {out[0][1]})" if out else ""
    return RefusalError(
        "lens-too-few",
        f"Only {usable} of {given} photos can be used{why}; a lens needs {FEWEST_VIEWS} at least.",
        "Take ten photos of the page: from above, tilted 30 to 45 degrees to all four sides, and "
        "with the page in each corner of the picture.",
    )


def _notices(
    lens: Lens, coverage: Coverage, fit: SetFit, rivals: dict[Terms, float], bow_mm: float,
    views: int, ratio: float, ratio_sd: float,
) -> tuple[Notice, ...]:  # fmt: skip
    notices = []
    if views < WISHED_VIEWS:
        notices.append(
            Notice("lens-few-views", f"Only {views} photos carry this lens.", "Ten are better.")
        )
    if coverage.reach < REACH_WISHED or coverage.empty_corners:
        bare = coverage.empty_corners or coverage.bare_corners
        where = ", ".join(bare) if 0 < len(bare) < 4 else "the outer parts"
        notices.append(
            Notice(
                "lens-corners-missing",
                f"The page was never in these parts of the picture: {where}.",
                "Add a photo with the page there.",
            )
        )
    if bow_mm > BOW_NAMED_MM:
        notices.append(
            Notice(
                "page-bowed",
                f"The page was not flat: it stood up by about {bow_mm:.1f} mm.",
                "This is allowed for; taped flat to a board or a glass pane it does better.",
            )
        )
    pull = fit.common[6] - np.log(ratio)
    if abs(fit.common[6]) > RATIO_NAMED and abs(pull) > 3.0 * ratio_sd:
        notices.append(
            Notice(
                "page-stretched",
                f"The page is printed {100 * abs(fit.common[6]):.1f} % "
                f"{'taller' if fit.common[6] > 0 else 'wider'} than drawn.",
                "The lens is right all the same; measure both check bars (calib printed) before "
                "you measure with this page.",
            )
        )
    third = rivals.get(Terms(3, fit.terms.bowed, fit.terms.focusing), -np.inf)
    if third > NEEDS_MORE:
        notices.append(
            Notice(
                "lens-bends-oddly",
                "This lens bends lines in a way that two terms do not wholly describe.",
                "Its uncertainty allows for it; keep the piece off the edges of the picture.",
            )
        )
    return tuple(notices)
