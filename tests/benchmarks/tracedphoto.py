"""One rendered photo traced and judged."""

from __future__ import annotations

import time
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

__all__ = ["Score", "decode_seconds", "score_photo", "scored"]


@dataclass(frozen=True, slots=True)
class Score:
    """What came of one photo.

    Attributes
    ----------
    refusal : code of the refusal, or the name of the bug; empty if it was measured.
    rows, seen : None if refused; `visible_mm` is what should have been reported.
    seconds : reading and tracing, in this process. `decode_seconds` : the bare decoding.
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
    seconds: float
    decode_seconds: float
    backward: bool = False
    warned: tuple[str, ...] = ()


def score_photo(photo: Path) -> Score:
    """Trace a photo with what its truth file says the turner knows, and judge the result.

    A refusal is a score too, and so is a fault in the program: neither ends the benchmark.
    """
    truth = read_truth(photo)
    decode = decode_seconds(photo)
    begun = time.perf_counter()
    try:
        result = trace(read_photo(photo), truth.request(), _silent, truth.lens(), truth.print_scale())
    except RefusalError as error:
        return _refused(truth, error.notice.code, error.notice.message, begun, decode)
    except Exception as error:
        return _refused(truth, f"BUG {type(error).__name__}", str(error), begun, decode)
    return scored(result, truth, time.perf_counter() - begun, decode)


def scored(result: TraceResult, truth: Truth, seconds: float, decode: float) -> Score:
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
        seconds=seconds,
        decode_seconds=decode,
        backward=backward != (expected == "B"),
        warned=tuple(notice.code for notice in result.notices),
    )


def decode_seconds(photo: Path, times: int = 5) -> float:
    """Return the median time that OpenCV takes to read a photo."""
    taken = []
    for _ in range(times):
        begun = time.perf_counter()
        picture = cv2.imread(str(photo))
        taken.append(time.perf_counter() - begun)
        if picture is None:
            raise ValueError(f"OpenCV cannot read {photo}")
    return median(taken)


def _silent(_: str) -> None:
    pass


def _refused(truth: Truth, code: str, message: str, begun: float, decode: float) -> Score:
    return Score(
        name=truth.name,
        setup=truth.request().setup,
        refusal=code,
        message=message,
        rows=None,
        length=Length(truth.length_mm, None, None),
        seen=None,
        visible_mm=float(np.sum([b - a for a, b in truth.visible])),
        seconds=time.perf_counter() - begun,
        decode_seconds=decode,
    )
