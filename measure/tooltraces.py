"""The photos of a tool, traced and ready for its steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.photo import Photo
from calib.refusal import Notice, RefusalError
from measure.fit import rim_bias
from measure.progress import Progress
from measure.reach import frame_of
from measure.result import CUT, TraceRequest, TraceResult
from measure.revolve import Axis
from measure.toolview import ToolView
from measure.trace import Tracing, measured

__all__ = ["ToolPhotos", "shank_is_first", "trace_tool", "view_of"]


@dataclass(frozen=True, slots=True)
class ToolPhotos:
    """Photos of one tool, turned about its length between them.

    Attributes
    ----------
    side_names : what the two sides are called in the first photo, such as "upper", "lower".
    notices : about the photos, beside those of the traces.
    """

    tracings: tuple[Tracing, ...]
    views: tuple[ToolView, ...]
    turned_rad: tuple[float, ...]
    side_names: tuple[str, str]
    notices: tuple[Notice, ...]

    @property
    def first(self) -> TraceResult:
        """The trace of the first photo."""
        return self.tracings[0].result


def trace_tool(
    photos: Sequence[Photo],
    request: TraceRequest,
    turned_rad: Sequence[float],
    progress: Progress,
) -> ToolPhotos:
    """Trace each photo.

    Raises
    ------
    RefusalError
        What the trace refuses, and `tool-cut` where the tool runs out of the picture at both
        ends.
    """
    tracings = tuple(measured(photo, request, progress) for photo in photos)
    notices = [notice for t in tracings[1:] for notice in t.result.notices]
    for tracing in tracings:
        if CUT == tracing.result.z_zero == tracing.result.far_end:
            raise RefusalError(
                "tool-cut",
                f"{tracing.result.photo_name} shows only the middle of the tool.",
                "Take the photo again with the whole tool in it.",
            )
    return ToolPhotos(
        tracings=tracings,
        views=tuple(view_of(tracing) for tracing in tracings),
        turned_rad=tuple(turned_rad),
        side_names=_side_names(tracings[0]),
        notices=tuple(dict.fromkeys(notices)),
    )


def view_of(tracing: Tracing) -> ToolView:
    """Return profile, camera, axis and the rays of both sides, rim bias taken off.

    z counts as in the profile.
    """
    estimate = tracing.estimate
    view, axis = estimate.view, estimate.axis
    bias = estimate.layout.bias_of(estimate.x)
    rays = []
    for sign, curve in zip((1.0, -1.0), tracing.curves, strict=True):
        side = np.full(len(tracing.outline.points_px), sign)
        points = rim_bias(tracing.outline, side, bias)[curve.index]
        rays.append(view.rays(points))
    return ToolView(
        profile=tracing.result.profile,
        camera_mm=view.camera_centre_mm,
        axis=Axis(axis.at(tracing.shift_mm), axis.direction),
        rays=(rays[0], rays[1]),
    )


def shank_is_first(result: TraceResult, side: str) -> bool:
    """Return whether the end of the tool toward that side of the photo is at z = 0."""
    d = result.axis_px[1] - result.axis_px[0]
    toward_far = {"left": -d[0], "right": d[0], "top": -d[1], "bottom": d[1]}[side]
    return bool(toward_far < 0.0)


def _side_names(tracing: Tracing) -> tuple[str, str]:
    view, axis = tracing.estimate.view, tracing.estimate.axis
    across, _ = frame_of(view.camera_centre_mm, axis)
    ends = view.to_pixels(np.array([axis.point_mm, axis.point_mm + across]))
    d = ends[1] - ends[0]
    if abs(d[1]) >= abs(d[0]):
        return ("lower", "upper") if d[1] > 0.0 else ("upper", "lower")
    return ("right", "left") if d[0] > 0.0 else ("left", "right")
