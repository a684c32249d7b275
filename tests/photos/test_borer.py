"""The sample photo of a boring tool: rendered, its true steps beside it."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from measure.cutterjob import measure_cutter
from measure.result import TraceRequest
from measure.toolrequest import build_tool_request

PHOTO = Path(__file__).parents[2] / "sample_images" / "borer.jpg"
TRUTH = json.loads(PHOTO.with_suffix(".truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return measure_cutter(
        [PHOTO], TraceRequest(), build_tool_request(1), mechanism_file=None,
        out=tmp_path_factory.mktemp("borer"), inches=False, report=False, quietly=True,
    ).data  # fmt: skip


def true_diameters() -> list[float]:
    """Return the diameters of the true steps: what runs level for more than a millimetre."""
    rows = TRUTH["profile_zr"]
    level = [(a, b) for a, b in pairwise(rows) if a[1] == b[1] and b[0] > a[0]]
    return [2.0 * a[1] for a, b in level if b[0] - a[0] > 1.0]


def test_each_step_is_within_its_uncertainty(told: dict[str, Any]) -> None:
    true = true_diameters()
    assert len(told["steps"]) == len(true)
    for step, diameter in zip(told["steps"], true, strict=True):
        assert abs(step["diameter_mm"] - diameter) <= step["u95_mm"], step["name"]


def test_its_point_is_said_not_to_be_measured(told: dict[str, Any]) -> None:
    """9 mm of point lie past the last straight rim: no length is told without them."""
    assert TRUTH["length"] - told["steps"][-1]["to_mm"] > 5.0
    assert told["length_mm"] is None
    assert "tip-unmeasured" in [notice["code"] for notice in told["warnings"]]
