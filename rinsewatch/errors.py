"""The error tree. Every message is one line: what is wrong and what to do.

RinsewatchError
├── UsageError          bad option, missing answer, wrong unit            exit 2
│   ├── QuantityError   "12.5" where "12.5 ppm" is needed
│   ├── SetupError      a set-up that cannot be rinsed
│   └── RecordingError  a CSV that cannot be read (row and column named)
├── MeterError          no meter, no permission, lost for good            exit 3
└── LogbookError        the logbook cannot be read or written             exit 4
"""

from __future__ import annotations

LONGEST = 500  # characters of a message: file names may be long, what somebody's file held must not fill the screen


def one_line(words: str) -> str:
    """Words that may quote anything, as one line to show: control characters spelled out, a long middle left out."""
    shown = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in words)
    if len(shown) <= LONGEST:
        return shown
    half = LONGEST // 2 - 2  # what to do stands at the end
    return f"{shown[:half]}...{shown[-half:]}"


class RinsewatchError(Exception):
    """Root of all errors the user may see; ``exit_code`` is the promised one."""

    exit_code = 1

    def __init__(self, words: str) -> None:
        super().__init__(one_line(words))


class UsageError(RinsewatchError):
    """The user asked for something that makes no sense as written."""

    exit_code = 2


class QuantityError(UsageError):
    """A quantity that cannot be read, or lacks its unit."""


class SetupError(UsageError):
    """The settings of the rinse contradict each other or the meter."""


class RecordingError(UsageError):
    """A recording that cannot be read; the message names row and column."""


class MeterError(RinsewatchError):
    """No meter, or it was lost for good."""

    exit_code = 3


class LogbookError(RinsewatchError):
    """The logbook cannot be read or written."""

    exit_code = 4
