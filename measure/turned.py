"""Several traces of one piece brought together: one profile, and how oval it is where.

The photos show one piece that lies as it lay, or that was turned about its axis between them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from calib.refusal import Notice
from measure.evened import Evened, even_out
from measure.ovality import CHANCE, FEWEST_SIDES, Ovality, at_least, fit_ovality, sides_seen
from measure.profile import LONGEST_BRIDGE_MM, Profile
from measure.result import LeftOut, TraceResult
from measure.sidebyside import SideBySide, joined, side_by_side
from measure.unmoved import differ, laid_on

__all__ = ["OvalPlace", "Together", "bring_together"]

FloatArray = NDArray[np.float64]

GAP_MM = LONGEST_BRIDGE_MM
_LEAST_U95_MM = 1e-4
OF_ITS_END = ("start-hidden", "end-unclear")


@dataclass(frozen=True, slots=True)
class OvalPlace:
    """The place of the largest oval that stands out: mm, radians; `turn` None for a bound."""

    z_mm: float
    size_mm: float
    u95_mm: float | None
    turn_rad: float | None
    turn_u95_rad: float | None


@dataclass(frozen=True, slots=True)
class Together:
    """What several photos say of one piece.

    Attributes
    ----------
    result : that of the photo that leads, with the profile and length of all.
    photos : names, in order. `turned_rad` : (m,) turns; None if the piece was not moved.
    z_mm : (n,) places that were compared, clear of shoulders and steep places.
    oval : at those places; None unless three sides were seen.
    oval_u95_mm : (n,) half-widths for the sizes of `oval` that hold for all places at once at
        95 %, as is needed for the one picked for being the largest; None like it.
    bound_mm : (n,) largest less smallest diameter is at least this; None if not turned.
    """

    result: TraceResult
    photos: tuple[str, ...]
    turned_rad: FloatArray | None
    z_mm: FloatArray
    oval: Ovality | None
    bound_mm: FloatArray | None
    oval_u95_mm: FloatArray | None = None

    def largest(self) -> OvalPlace | None:
        """Return the most oval place, None if nothing stands out of the noise."""
        if self.oval is not None and self.oval_u95_mm is not None:
            if not np.any(self.oval.found):
                return None
            k = int(np.argmax(np.where(self.oval.found, self.oval.size_mm, -1.0)))
            return OvalPlace(
                float(self.z_mm[k]),
                float(self.oval.size_mm[k]),
                float(self.oval_u95_mm[k]),
                float(self.oval.widest_rad[k]),
                float(self.oval.widest_u95_rad[k]),
            )
        if self.bound_mm is None or not np.any(self.bound_mm > 0.0):
            return None
        k = int(np.argmax(self.bound_mm))
        return OvalPlace(float(self.z_mm[k]), float(self.bound_mm[k]), None, None, None)


def bring_together(
    results: Sequence[TraceResult],
    turned_rad: FloatArray | None,
    notices: Sequence[Notice] = (),
) -> Together:
    """Return one profile, and the oval where the piece was turned.

    Parameters
    ----------
    results : of each photo, two or more, the first of which leads: places count from its end; one
        will do for a piece that was not moved.
    turned_rad : (m,) how far the piece was turned before each, all the same way round; None if
        it was not moved.
    notices : what else there is to say, of photos left out for instance.

    Raises
    ------
    RefusalError
        Codes `photos-differ` and `photos-flipped`: they do not show one piece, or not from the
        same end.
    """
    if len(results) < (1 if turned_rad is None else 2):
        raise ValueError(f"got {len(results)} result, need two or more")
    # A piece that was not moved is counted from the same end already, by where its axis lies.
    flip = "no" if turned_rad is None else "auto"
    laid = [laid_on(results[0], other, flip) for other in results[1:]]
    offsets = [0.0, *(placement.offset_mm for placement in laid)]
    rows = side_by_side([r.profile for r in results], offsets)
    flat = rows.by_all
    if not np.any(flat):
        raise differ(results[0].photo_name, results[1].photo_name)
    oval = bound = oval_u95 = None
    said: list[Notice] = [*notices, *(n for r in results[1:] for n in _of_another(r))]
    if turned_rad is None:
        profile = joined(rows)
    else:
        even = even_out(rows, np.array([0.0, *(placement.u95_mm for placement in laid)]))
        # Many places are looked at: each may mislead that much more seldom.
        chance = CHANCE / even.stretches
        bound = np.where(even.enough, at_least(even.diameter_mm, even.u95_mm, chance), 0.0)
        profile = _few_sided_profile(rows, bound)
        if sides_seen(turned_rad) >= FEWEST_SIDES:
            oval = fit_ovality(turned_rad, even.diameter_mm, even.u95_mm, chance)
            oval = replace(oval, found=oval.found & even.enough)
            oval_u95 = _of_all_places(turned_rad, even, oval)
            profile = _oval_profile(rows, turned_rad, oval)
        else:
            said.append(
                Notice(
                    "oval-bound",
                    f"{sides_seen(turned_rad)} sides were seen: how oval the piece is has only "
                    "a lower bound.",
                    "Take three photos or more, turned by 60 degrees each.",
                )
            )
    length, length_u95 = _length(results)
    profile = _until(profile, length)
    result = replace(
        results[0],
        profile=profile,
        length_mm=length,
        length_u95_mm=length_u95,
        notices=_once((*results[0].notices, *said)),
        left_out=_left_out(profile, length),
    )
    names = tuple(r.photo_name for r in results)
    return Together(result, names, turned_rad, rows.z_mm[flat], oval, bound, oval_u95)


def _of_all_places(turned_rad: FloatArray, even: Evened, oval: Ovality) -> FloatArray:
    """Return half-widths of the sizes, (n,), that hold for all places at once at 95 %.

    What places share is right or wrong for all of them together; of the rest, each stretch has
    its own chance to stray (Bonferroni).
    """
    shared = fit_ovality(turned_rad, even.diameter_mm, np.maximum(even.common_mm, _LEAST_U95_MM))
    common2 = np.minimum(shared.size_u95_mm, oval.size_u95_mm) ** 2
    wider = float(ndtri(1.0 - 0.5 * CHANCE / even.stretches) / ndtri(1.0 - 0.5 * CHANCE))
    return np.asarray(np.sqrt(common2 + wider**2 * (oval.size_u95_mm**2 - common2)))


def _of_another(result: TraceResult) -> list[Notice]:
    """Return what is to be said of a photo after the first, the photo named.

    Where its own z = 0 lies does not matter: places count from the first photo's end.
    """
    name = result.photo_name
    return [
        n if name in n.message else replace(n, message=f"{name}: {n.message}")
        for n in result.notices
        if n.code not in OF_ITS_END
    ]


def _length(results: Sequence[TraceResult]) -> tuple[float | None, float | None]:
    known = [(r.length_mm, r.length_u95_mm) for r in results]
    pairs = [(a, u) for a, u in known if a is not None and u is not None]
    if len(pairs) < len(results):
        return known[0]
    # One phone and one card: their errors do not average out. Who sees the ends best counts most.
    weight = np.array([1.0 / max(u, 1e-3) ** 2 for _, u in pairs])
    weight /= weight.sum()
    return float(weight @ [a for a, _ in pairs]), float(weight @ [u for _, u in pairs])


def _once(notices: tuple[Notice, ...]) -> tuple[Notice, ...]:
    """Return the notices, each code once: five photos have one lens between them.

    What is said of one photo alone stays.
    """
    kept: dict[str, Notice] = {}
    for notice in notices:
        of_one = notice.code in ("photo-left-out", "piece-moved")
        kept.setdefault(notice.message if of_one else notice.code, notice)
    return tuple(kept.values())


def _oval_profile(rows: SideBySide, turned_rad: FloatArray, oval: Ovality) -> Profile:
    """Return mean diameters of the ovals; elsewhere what the first photo that shows it saw."""
    d, u, common = _of_first(rows, np.where(oval.found, oval.size_mm, 0.0))
    flat = rows.by_all
    # Row by row: a stretch evened out would lose its beads.
    each = fit_ovality(turned_rad, rows.diameter_mm[:, flat], rows.u95_mm[:, flat])
    d[flat] = each.mean_mm
    # One phone and one card again: the part all photos share stays.
    u[flat] = np.maximum(each.mean_u95_mm, common[flat])
    return Profile(rows.z_mm, d, u, np.minimum(common, u), rows.lead(rows.step_mm))


def _few_sided_profile(rows: SideBySide, bound_mm: FloatArray) -> Profile:
    """Return means of fewer than three sides; what they differ by is added to the doubt."""
    d, u, common = _of_first(rows, bound_mm)
    d[rows.by_all] = rows.diameter_mm[:, rows.by_all].mean(axis=0)
    u[rows.by_all] = rows.u95_mm[:, rows.by_all].mean(axis=0) + 0.5 * bound_mm
    return Profile(rows.z_mm, d, u, np.minimum(common, u), rows.lead(rows.step_mm))


def _of_first(rows: SideBySide, size_mm: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return diameters, U95 and common part of one photo; of an oval it saw one side only."""
    oval = np.interp(rows.z_mm, rows.z_mm[rows.by_all], size_mm)
    u95 = rows.lead(rows.u95_mm) + 0.5 * oval
    return rows.lead(rows.diameter_mm), u95, rows.lead(rows.common_mm)


def _until(profile: Profile, length_mm: float | None) -> Profile:
    """Return the rows up to the end that all photos together say."""
    if length_mm is None:
        return profile
    n = int(np.searchsorted(profile.z_mm, length_mm, side="right"))
    step = profile.u95_step_mm
    return Profile(
        profile.z_mm[:n],
        profile.diameter_mm[:n],
        profile.u95_mm[:n],
        profile.u95_common_mm[:n],
        None if step is None else step[:n],
    )


def _left_out(profile: Profile, length_mm: float | None) -> tuple[LeftOut, ...]:
    """Return the stretches that no photo shows."""
    stops = [(float(profile.z_mm[p][0]), float(profile.z_mm[p][-1])) for p in profile.pieces()]
    ends = [0.0, *(v for stop in stops for v in stop), length_mm or stops[-1][1]]
    gaps = zip(ends[::2], ends[1::2], strict=True)
    return tuple(LeftOut(a, b, "not seen in any photo") for a, b in gaps if b - a > GAP_MM)
