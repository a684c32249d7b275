"""Expected failure: a typed refusal, and the notices that go with a result."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["BadFileError", "Notice", "RefusalError"]


@dataclass(frozen=True, slots=True)
class Notice:
    """A warning that goes with a result: `code` for programs, the rest for the turner.

    `message` is one line that says what is so; `advice` one line that says what to do.
    Every code is listed in DEVELOPERS.md, which a test compares with the sources.
    """

    code: str
    message: str
    advice: str


class RefusalError(Exception):
    """The input was read but cannot be measured, registered or built (exit status 3)."""

    exit_status = 3

    def __init__(self, code: str, message: str, advice: str) -> None:
        """Keep the notice that says why; the exception's text is its message and advice."""
        super().__init__(f"{message} {advice}")
        self.notice = Notice(code, message, advice)


class BadFileError(RefusalError):
    """A file cannot be read or written, or the command was used wrongly (exit status 2)."""

    exit_status = 2
