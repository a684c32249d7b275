"""One rendered photo traced and judged."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import cv2
import numpy as np

from calib.photo import read_photo
from calib.refusal import RefusalError
from measure.result import END, TraceResult
from measure.trace import trace
from tests.benchmarks.groundtruth import Truth, read_truth
from tests.benchmarks.scoring import Judged, Length, Seen, in_truth, judged, seen

__all__ = ["Score", "Stopwatch", "Took", "decoding", "median_of", "score_photo", "scored"]


@dataclass(frozen=True, slots=True)
class Took:
    """Time taken: by the clock, and by this process's threads together, seconds.

    The second hardly depends on what else the machine does.
    """

    wall_seconds: float
    processor_seconds: float


class Stopwatch:
    """Started when made."""

    def __init__(self) -> None:
        self._wall, self._processor = time.perf_counter(), time.process_time()

    def took(self) -> Took:
        return Took(time.perf_counter() - self._wall, time.process_time() - self._processor)


@dataclass(frozen=True, slots=True)
class Score:
    """What came of one photo.

    Attributes
    ----------
    refusal : code of the refusal, or the name of the bug; empty if it was measured.
    rows, seen : None if refused; `visible_mm` is what should have been reported.
    took : reading and tracing, in this process. `decoded` : the bare decoding.
    backward : the profile counts from the end that the tool should not have started from.
    warned : codes of the warnings.
    """

    name: str
    setup: str
    refusal: str
    message: str
    rows: Judged | None
    length: Length
    seen: Seen | None
    visible_mm: float
    took: Took
    decoded: Took
    backward: bool = False
    warned: tuple[str, ...] = ()


def score_photo(photo: Path) -> Score:
    """Trace a photo with what its truth file says the turner knows, and judge the result.

    A refusal is a score too, and so is a fault in the program: neither ends the benchmark.
    """
    truth = read_truth(photo)
    decoded = decoding(photo)
    request, lens, scale = truth.request(), truth.lens(), truth.print_scale()
    watch = Stopwatch()
    try:
        result = trace(read_photo(photo), request, _silent, lens, scale)
    except RefusalError as error:
        return _refused(truth, error.notice.code, error.notice.message, watch.took(), decoded)
    except Exception as error:
        return _refused(truth, f"BUG {type(error).__name__}", str(error), watch.took(), decoded)
    return scored(result, truth, watch.took(), decoded)


def scored(result: TraceResult, truth: Truth, took: Took, decoded: Took) -> Score:
    """Judge a result.

    Which end it counts from is seen from its axis in the picture. A true end is the outermost
    point of that end; where the piece is cut, z = 0 is where the result draws it in the picture.
    """
    backward = truth.runs_backward(result.axis_px)
    if result.z_zero == END:
        zero = truth.length_mm if backward else 0.0
    else:
        zero = truth.z_at(result.axis_px[0])
    profile = in_truth(result.profile, zero, backward)
    error = None if result.length_mm is None else result.length_mm - truth.length_mm
    expected = truth.data.get("start_end", "B" if backward else "A")
    return Score(
        name=truth.name,
        setup=result.setup,
        refusal="",
        message="",
        rows=judged(profile, truth.meridian),
        length=Length(truth.length_mm, error, result.length_u95_mm),
        seen=seen(profile, truth.visible),
        visible_mm=sum(b - a for a, b in truth.visible),
        took=took,
        decoded=decoded,
        backward=backward != (expected == "B"),
        warned=tuple(notice.code for notice in result.notices),
    )


def decoding(photo: Path, times: int = 5) -> Took:
    """Return the median times that OpenCV takes to read a photo."""
    taken = []
    for _ in range(times):
        watch = Stopwatch()
        picture = cv2.imread(str(photo))
        taken.append(watch.took())
        if picture is None:
            raise ValueError(f"OpenCV cannot read {photo}")
    return median_of(taken)


def median_of(taken: Sequence[Took]) -> Took:
    """Return the medians of several times."""
    return Took(
        median(took.wall_seconds for took in taken),
        median(took.processor_seconds for took in taken),
    )


def _silent(_: str) -> None:
    pass


def _refused(truth: Truth, code: str, message: str, took: Took, decoded: Took) -> Score:
    return Score(
        name=truth.name,
        setup=truth.request().setup,
        refusal=code,
        message=message,
        rows=None,
        length=Length(truth.length_mm, None, None),
        seen=None,
        visible_mm=float(np.sum([b - a for a, b in truth.visible])),
        took=took,
        decoded=decoded,
    )
