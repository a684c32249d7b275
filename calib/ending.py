"""How every command ends: what it prints, and the exit status (0, 1, 2, 3, 4, 130)."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import signal
import sys
import traceback
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TextIO

from calib.decimals import plain_numbers
from calib.nearby import missing_file_advice
from calib.refusal import BadFileError, Notice, RefusalError
from calib.usage import plain_usage

__all__ = ["SCHEMA", "TRACEBACK_VARIABLE", "Outcome", "conclude", "file_trouble", "run_app"]

SCHEMA = 1
"""Version of the JSON objects that the commands write."""
TRACEBACK_VARIABLE = "TURNED_BY_PHOTO_TRACEBACK"
"""Set to anything, it makes a bug print its traceback, for those who mend it."""

BUG, WRONG, UNMEASURED, INTERRUPTED = 1, 2, 3, 130


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
        said = outcome.text
        if as_json:
            said = json.dumps({"schema": SCHEMA, **outcome.data}, allow_nan=False)
        _print_out(said)
    except (Exception, KeyboardInterrupt) as error:
        raise SystemExit(_end_badly(error, as_json)) from None
    if not as_json:
        for notice in outcome.notices:
            _print_err(f"Note: {notice.message} {notice.advice}")
    if outcome.status:
        raise SystemExit(outcome.status)


def run_app(app: Callable[..., Any], name: str) -> None:
    """Run a Typer application so that wrong usage and interruption end as every command does."""
    as_json = "--json" in sys.argv[1:]
    _settle_process()
    try:
        words = plain_numbers(app, sys.argv[1:])
        status = app(args=words, prog_name=name, standalone_mode=False)
    except (Exception, KeyboardInterrupt) as error:
        # Typer carries its own copy of the command-line library, whose classes are private to
        # it: its errors are known by their names and methods, not by their types.
        kind = type(error).__name__
        if kind == "NoArgsIsHelpError":
            _print_err(str(getattr(error, "message", "")), lines=True)
            raise SystemExit(WRONG) from None
        message = getattr(error, "format_message", None)
        if kind == "Abort":
            raise SystemExit(_end_badly(KeyboardInterrupt(), as_json)) from None
        if message is None:
            raise SystemExit(_end_badly(error, as_json)) from None
        named = [name, *(word for word in sys.argv[1:2] if not word.startswith("-"))]
        asked = getattr(getattr(error, "ctx", None), "command_path", " ".join(named))
        wrong = BadFileError("usage", *plain_usage(str(message()), sys.argv[1:], asked))
        raise SystemExit(_end_badly(wrong, as_json)) from None
    raise SystemExit(status if isinstance(status, int) else 0)


def file_trouble(error: OSError) -> BadFileError:
    """Return the refusal that tells what kept a file from being read or written."""
    what = str(error.filename) if error.filename else "The output"
    if error.errno in (errno.ENOSPC, getattr(errno, "EDQUOT", None)):
        return BadFileError(
            "disk-full",
            f"{what}: the disk is full.",
            "Free some space, or give --out a folder on another disk.",
        )
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return BadFileError(
            "no-permission",
            f"{what}: you may not read or write here.",
            "Change the permissions, or give --out a folder of your own.",
        )
    if error.errno == errno.ENOENT:
        advice = missing_file_advice(Path(os.fsdecode(error.filename or "")))
        return BadFileError("no-such-file", f"There is no file {what}.", advice)
    if error.errno in (errno.EISDIR, errno.ENOTDIR):
        kind = "a folder, not a file" if error.errno == errno.EISDIR else "not in a folder"
        return BadFileError("not-a-file", f"{what} is {kind}.", "Check the name and the folder.")
    return BadFileError(
        "file-trouble",
        f"{what}: {error.strerror or error}.",
        "Check the name, the permissions and the free space, then try again.",
    )


def _end_badly(error: BaseException, as_json: bool) -> int:
    """Print why there is no result, and return the exit status."""
    if isinstance(error, OSError):
        error = file_trouble(error)
    if isinstance(error, RefusalError):
        notice, status = error.notice, error.exit_status
    elif isinstance(error, KeyboardInterrupt):
        notice = Notice("interrupted", "Interrupted.", "Nothing half-written was left behind.")
        status = INTERRUPTED
    elif isinstance(error, MemoryError):
        notice = Notice(
            "no-memory",
            "The computer ran out of memory.",
            "Close other programs and try again, or take the photo at about 12 megapixels.",
        )
        status = UNMEASURED
    else:
        what = f"{type(error).__name__}: {error}".rstrip(": ")
        notice = Notice(
            "bug",
            f"This is a fault in the program, not in what you did ({what}).",
            f"Run it again with {TRACEBACK_VARIABLE}=1 set, and report what it then prints.",
        )
        status = BUG
        if os.environ.get(TRACEBACK_VARIABLE):
            _print_err("".join(traceback.format_exception(error)).rstrip(), lines=True)
    _print_err(notice.message)
    _print_err(notice.advice)
    if as_json:
        kind = "bug" if status == BUG else "refusal"
        fields = {"code": notice.code, "message": notice.message, "advice": notice.advice}
        with contextlib.suppress(OSError):
            _print_out(json.dumps({"schema": SCHEMA, "kind": kind, **fields}))
    return status


def _print_out(text: str) -> None:
    """Print on standard output; a reader that has gone away (`| head`) is no failure.

    Raises
    ------
    OSError
        When standard output is a file on a full disk, say.
    """
    try:
        if sys.stdout is not None:
            print(text, flush=True)
    except BrokenPipeError:
        _abandon(sys.stdout)
    except OSError:
        _abandon(sys.stdout)
        raise


def _print_err(text: str, lines: bool = False) -> None:
    """Print one line on standard error: a file name may hold line breaks and escapes."""
    shown = "".join(c if c.isprintable() or (lines and c == "\n") else "?" for c in text)
    try:
        if sys.stderr is not None:
            print(shown, file=sys.stderr, flush=True)
    except OSError:
        _abandon(sys.stderr)


def _abandon(stream: TextIO) -> None:
    """Let what is left in the buffer go nowhere, or Python fails again as it closes down."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


def _settle_process() -> None:
    """Make a kill end as an interrupt does, and keep libraries' chatter off the terminal."""
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, _interrupt)
    os.environ.setdefault("OPENCV_LOG_LEVEL", "ERROR")
    if not sys.warnoptions:
        warnings.simplefilter("ignore")
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show ± or × shows a question mark instead of failing.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


def _interrupt(number: int, frame: object) -> None:
    raise KeyboardInterrupt
