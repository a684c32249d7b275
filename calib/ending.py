"""How every command ends: what it prints, and the exit status (0, 1, 2, 3, 4, 130)."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from calib.refusal import BadFileError, Notice, RefusalError

__all__ = ["SCHEMA", "Outcome", "conclude", "run_app"]

SCHEMA = 1
"""Version of the JSON objects that the commands write."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a command has to say.

    Attributes
    ----------
    text : what goes to the terminal when JSON is not asked for.
    data : the one JSON object; `schema` is added here.
    notices : warnings; printed on standard error, and part of `data` already.
    status : exit status, 0 unless a script asked for another.
    """

    text: str
    data: dict[str, Any]
    notices: Sequence[Notice] = field(default_factory=tuple)
    status: int = 0


def conclude(work: Callable[[], Outcome], as_json: bool) -> None:
    """Run the work, print what it gives or why it refuses, and end with the right status.

    Raises
    ------
    SystemExit
        Always when the status is not 0.
    """
    try:
        outcome = work()
    except RefusalError as refusal:
        _print_refusal(refusal, as_json)
        raise SystemExit(refusal.exit_status) from None
    except OSError as error:
        what = error.filename or "a file"
        _print_refusal(
            BadFileError(
                "file-trouble",
                f"{what}: {error.strerror or error}.",
                "Check the name, the permissions and the free space, then try again.",
            ),
            as_json,
        )
        raise SystemExit(2) from None
    if as_json:
        print(json.dumps({"schema": SCHEMA, **outcome.data}, allow_nan=False))
    else:
        print(outcome.text)
        for notice in outcome.notices:
            print(f"Note: {notice.message} {notice.advice}", file=sys.stderr)
    if outcome.status:
        raise SystemExit(outcome.status)


def _print_refusal(refusal: RefusalError, as_json: bool) -> None:
    notice = refusal.notice
    print(notice.message, file=sys.stderr)
    print(notice.advice, file=sys.stderr)
    if as_json:
        fields = {"code": notice.code, "message": notice.message, "advice": notice.advice}
        print(json.dumps({"schema": SCHEMA, "kind": "refusal", **fields}))


def run_app(app: Callable[..., Any], name: str) -> None:
    """Run a Typer application so that wrong usage and interruption end as every command does."""
    as_json = "--json" in sys.argv[1:]
    try:
        status = app(prog_name=name, standalone_mode=False)
    except KeyboardInterrupt:
        raise SystemExit(130) from None
    except Exception as error:
        # Typer carries its own copy of the command-line library, whose classes are private to
        # it: a usage error is known by its method, not by its type.
        if type(error).__name__ == "Abort":
            raise SystemExit(130) from None
        message = getattr(error, "format_message", None)
        if message is None:
            raise
        refusal = BadFileError("usage", str(message()), f"Type {name} --help to see what it takes.")
        _print_refusal(refusal, as_json)
        raise SystemExit(2) from None
    raise SystemExit(status if isinstance(status, int) else 0)
