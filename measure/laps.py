"""Seconds that the steps of one trace took."""

from __future__ import annotations

import time

__all__ = ["Laps"]


class Laps:
    """A stopwatch, started when made. `seconds` holds what each step took so far."""

    def __init__(self) -> None:
        """Start."""
        self.seconds: dict[str, float] = {}
        self._last = time.perf_counter()

    def lap(self, name: str) -> None:
        """Add the time since the last call to the step of this name."""
        now = time.perf_counter()
        self.seconds[name] = self.seconds.get(name, 0.0) + now - self._last
        self._last = now
