"""One outline solved, and whether its sides are seen, and agree, as those of one round piece do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.refusal import RefusalError
from measure.fit import Estimate
from measure.outline import Outline
from measure.rest import Rest

__all__ = ["Solved"]

KEPT_LEAST, SCATTER_MOST = 0.85, 2.2
KEPT_RIVAL, SCATTER_RIVAL = 0.95, 1.5
"""Below this share of agreement, or above this scatter, the sides are not those of one round
piece seen well: nothing is reported."""
MISFIT_MOST_PX, CLEAR_LEAST = 0.92, 0.9
"""However noisy a rim is, sides that differ by more are not one piece's, and a rim is seen all
along it: polished steel that mirrors the bench has hardly one (measured on rendered photos)."""
LIT_LEAST, SHADED_LEAST, SCATTER_SHADED, MISFIT_SHADED_PX = 0.96, 0.7, 1.2, 0.6
"""Where one side is seen nearly everywhere and the other, in its own dark shadow, over so much,
they are one piece's if what is seen of both agrees so well (rendered photos)."""
CLOSE_LEAST, KEPT_CLOSE, SCATTER_CLOSE, MISFIT_CLOSE_PX = 0.87, 0.98, 1.05, 0.42
"""Where the sides agree so closely, a little less seen of them will do, if no other outline does
better: one in whose place a better one was at hand ran along the board's squares in parts."""
WELL_SEEN, KEPT_ROUGH, SCATTER_ROUGH, MISFIT_ROUGH_PX = 0.96, 0.78, 2.5, 1.25
"""Where a rim is seen nearly everywhere, grain that shows in bench and wood alike may throw it
about by more (a wrong outline that agreed so roughly was seen along 0.93: rendered photos)."""
STRANGE_MOST = 0.15
"""Where more of an outline has a strip of another colour outside, it is that of a lamination: the
most beside 156 true rims was 0.093, beside laminations 0.15 to 0.5 (rendered photos)."""
STRANGE_RIVAL = 0.05
"""The same of an outline that agrees but roughly, where another was wrong before: the one such that
was wrong, in 178 rendered photos, had 0.135."""
BURNT_MOST = 0.3
"""An outline with a larger share burnt out inside is that of a highlight (no source)."""
CUT_PX = 0.01
"""What lies nearer to the edge of the box, as a share of it, is the cut."""


@dataclass(frozen=True, slots=True)
class Solved:
    """One outline solved.

    Attributes
    ----------
    outline, estimate : what was followed and the joint estimate.
    rests : ways the piece may rest on the bench, the one taken first; empty for other set-ups.
    rest_share : how likely the way taken is among them, by weight and photo.
    box_px : (x, y, width, height) that cuts the piece; None without a box.
    open_ends : whether the piece seems to go on past its start and its far end.
    strange : share of the outline outside which there is something unlike the bench.
    burnt : share of the area inside it in which the photo is burnt out.
    misread : whether its shape is that of something else: a sheet, an end face, a strip by the
        card.
    plain : whether it is as plain as a rule or a pencil, with nothing to show that it is round.
    contradicted : why a likelier outline was passed over: a caliper reading contradicts it.
    past_box : whether the piece seems to go on where the box ends.
    """

    outline: Outline
    estimate: Estimate
    rests: tuple[Rest, ...]
    box_px: tuple[float, float, float, float] | None = None
    open_ends: tuple[bool, bool] = (False, False)
    strange: float = 0.0
    burnt: float = 0.0
    misread: bool = False
    plain: bool = False
    rest_share: float = 1.0
    contradicted: RefusalError | None = None
    past_box: bool = False

    @property
    def followed(self) -> bool:
        """Whether a rim was seen nearly all along it, or so on one side and agreeing with it."""
        return self._seen >= CLEAR_LEAST or self._one_side_followed

    @property
    def _one_side_followed(self) -> bool:
        half = len(self.outline.clear) // 2
        seen = [self._seen_of(part) for part in (slice(half), slice(half, None))]
        lit, shaded = max(seen), min(seen)
        well = self._agrees(KEPT_RIVAL, SCATTER_SHADED, MISFIT_SHADED_PX)
        return lit >= LIT_LEAST and shaded >= SHADED_LEAST and well

    @property
    def _seen(self) -> float:
        """Share of it along which a rim was seen; where a box cuts the piece there is none."""
        return self._seen_of(slice(None))

    def _seen_of(self, part: slice) -> float:
        own = np.ones(len(self.outline.clear), dtype=bool)
        if self.box_px is not None:
            x, y, w, h = self.box_px
            away = np.abs(self.outline.points_px[:, [0, 0, 1, 1]] - (x, x + w, y, y + h))
            own = away.min(axis=1) > CUT_PX * max(w, h)
        clear = self.outline.clear[part][own[part]]
        return float(np.mean(clear)) if len(clear) else 0.0

    @property
    def agrees(self) -> bool:
        """Whether its sides, as far as they were followed, agree as those of one round piece do."""
        return self._agrees(KEPT_LEAST, SCATTER_MOST, MISFIT_MOST_PX)

    @property
    def round(self) -> bool:
        """Whether its sides agree as those of one round piece do, followed nearly all along."""
        return self.followed and self.agrees

    @property
    def roughly_round(self) -> bool:
        """Whether they agree as those of a piece on a bench of its own grain may."""
        well = self._seen >= WELL_SEEN
        return well and self._agrees(KEPT_ROUGH, SCATTER_ROUGH, MISFIT_ROUGH_PX)

    @property
    def closely_round(self) -> bool:
        """Whether they agree closely, though a little less of them was followed than of most."""
        closely = self._agrees(KEPT_CLOSE, SCATTER_CLOSE, MISFIT_CLOSE_PX)
        return self._seen >= CLOSE_LEAST and closely and self.strange <= STRANGE_RIVAL

    @property
    def roughly_round_again(self) -> bool:
        """Whether they agree so, and so wholly, that another outline may have been wrong before."""
        wholly = self.estimate.kept >= KEPT_RIVAL and self.strange <= STRANGE_RIVAL
        return self.roughly_round and wholly

    def _agrees(self, kept: float, scatter: float, misfit_px: float) -> bool:
        fit = self.estimate
        return (
            fit.kept >= kept
            and fit.pairs_sd <= scatter
            and fit.misfit_px <= misfit_px
            and self.strange <= STRANGE_MOST
            and self.burnt <= BURNT_MOST
            and not (self.misread or self.plain)
        )

    @property
    def quite_round(self) -> bool:
        """Whether they agree so well that another outline may have been wrong before."""
        fit = self.estimate
        return self.round and fit.kept >= KEPT_RIVAL and fit.pairs_sd <= SCATTER_RIVAL
