"""result.json: the object that goes to other programs, and reading one back."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from calib.ending import SCHEMA, file_trouble
from calib.refusal import BadFileError, Notice
from measure.result import Extreme, TraceResult

__all__ = ["notice_list", "read_result", "result_json", "rounded", "trace_data"]

LARGEST_BYTES = 50_000_000


def trace_data(result: TraceResult) -> dict[str, Any]:
    """Return what result.json and `--json` say of a trace; `schema` is added when written."""
    return {
        "kind": result.kind,
        "photo": result.photo_name,
        "setup": result.setup,
        "scale_from": result.scale_from,
        "lens_from": result.lens_from,
        "z_zero": result.z_zero,
        "far_end": result.far_end,
        "length_mm": rounded(result.length_mm),
        "length_u95_mm": rounded(result.length_u95_mm),
        "max_diameter_mm": rounded(result.max_diameter_mm()),
        "largest": _extreme(result.largest()),
        "smallest": _extreme(result.smallest()),
        "measured_mm": rounded(result.measured_mm()),
        "typical_u95_mm": rounded(result.typical_u95_mm()),
        "left_out": [
            {
                "z_from_mm": rounded(part.z_from_mm),
                "z_to_mm": rounded(part.z_to_mm),
                "reason": part.reason,
            }
            for part in result.left_out
        ],
        "known": [{"z_mm": z, "diameter_mm": diameter} for z, diameter in result.known],
        "tilt_deg": rounded(result.tilt_deg, 2),
        "px_per_mm": rounded(result.px_per_mm, 3),
        "warnings": notice_list(result.notices),
        "seconds": {step: rounded(took, 3) for step, took in result.timings.items()},
    }


def notice_list(notices: Iterable[Notice]) -> list[dict[str, str]]:
    """Return notices as result.json lists them."""
    return [{"code": n.code, "message": n.message, "advice": n.advice} for n in notices]


def result_json(data: dict[str, Any]) -> bytes:
    """Return the bytes of result.json.

    Raises
    ------
    ValueError
        If a number is not finite, which JSON cannot hold.
    """
    whole = {"schema": SCHEMA, **data}
    return (json.dumps(whole, indent=1, allow_nan=False) + "\n").encode("ascii")


def read_result(path: Path) -> dict[str, Any]:
    """Read the result.json of any command.

    Raises
    ------
    BadFileError
        If it cannot be read, is no result, or comes from a newer version.
    """
    no_result = BadFileError(
        "result-damaged",
        f"{path.name} is no result of a measurement.",
        "Name the result.json that a measurement wrote, or measure again.",
    )
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise no_result
        data = json.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise file_trouble(error) from None
    except (ValueError, RecursionError):
        raise no_result from None
    if not isinstance(data, dict) or not isinstance(data.get("kind"), str):
        raise no_result
    schema = data.get("schema")
    if not isinstance(schema, int) or isinstance(schema, bool) or schema < 1:
        raise no_result
    if schema > SCHEMA:
        raise BadFileError(
            "result-newer",
            f"{path.name} was written by a newer version of this program.",
            "Install the newer version, or measure the photo again with this one.",
        )
    return data


def rounded(value: float | None, decimals: int = 4) -> float | None:
    """Return a plain number for JSON, to a tenth of a micrometre unless told; None stays None.

    Raises
    ------
    ValueError
        If it is not finite.
    """
    if value is None:
        return None
    if not math.isfinite(value):
        raise ValueError(f"a number for result.json is {value}, need a finite one")
    return round(float(value), decimals) + 0.0


def _extreme(row: Extreme) -> dict[str, float | None]:
    return {
        "z_mm": rounded(row.z_mm),
        "diameter_mm": rounded(row.diameter_mm),
        "u95_mm": rounded(row.u95_mm),
    }
