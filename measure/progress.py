"""Progress on the terminal: a step that takes longer than a second is named while it runs."""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from types import TracebackType
from typing import Protocol, Self, TextIO

__all__ = ["Progress", "StepWatch", "quiet"]

PATIENCE_S = 1.0
"""A step shorter than this is not worth a line."""


class Progress(Protocol):
    """What a long computation calls as each step begins: `progress("looking for the card")`."""

    def __call__(self, step: str) -> None:
        """Say that `step`, in the turner's words, begins now."""


def quiet(step: str) -> None:
    """Say nothing: the progress for tests and for programs."""


class StepWatch:
    """Names steps that take long on standard error, and keeps the seconds of each.

    Use it as a context manager and call it with the name of each step as it begins. It prints
    only if `shown`, so that a pipe or a program reading JSON gets no chatter.
    """

    def __init__(self, stream: TextIO | None = None, shown: bool | None = None) -> None:
        """Watch, and say so on `stream`; `shown` is whether that is a terminal, by default."""
        self._stream = stream if stream is not None else sys.stderr
        is_terminal = self._stream is not None and self._stream.isatty()
        self._shown = is_terminal if shown is None else shown
        self._timer: threading.Timer | None = None
        self._step: str | None = None
        self._began = 0.0
        self.seconds: dict[str, float] = {}

    def __call__(self, step: str) -> None:
        """End the step before and begin this one."""
        self._end_step()
        self._step, self._began = step, time.perf_counter()
        if self._shown:
            self._timer = threading.Timer(PATIENCE_S, self._say, [step])
            self._timer.daemon = True
            self._timer.start()

    def __enter__(self) -> Self:
        """Begin."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End the step that runs."""
        self._end_step()

    def _say(self, step: str) -> None:
        # The terminal may have been closed meanwhile; that is no reason to fail.
        with contextlib.suppress(OSError):
            print(f"{step} ...", file=self._stream, flush=True)

    def _end_step(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._step is not None:
            took = time.perf_counter() - self._began
            self.seconds[self._step] = self.seconds.get(self._step, 0.0) + took
            self._step = None
