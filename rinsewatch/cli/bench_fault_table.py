"""Fault bench: the catalogue as a table of functions, one a fault, and what each run came to."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from subprocess import SubprocessError

from rinsewatch.errors import RinsewatchError

NUMBERS = {"S": 28, "M": 20, "O": 15, "H": 21}  # rows of the catalogue: serial, meter, operator, host
CATALOGUE = tuple(f"{letter}{n:02d}" for letter, most in NUMBERS.items() for n in range(1, most + 1))
BEYOND = ("X14", "X17", "X21")  # lines of the score table that are no row of the catalogue, by their number there


class CannotRun(Exception):
    """This machine lacks what the injection needs; the message names it."""


@dataclass(frozen=True, slots=True)
class Bench:
    """What a fault's function is given: a folder of its own, whether to be quick, runs and processes of a campaign,
    and how many times as often as usual to inject what a long campaign is made of (``often``)."""

    folder: Path
    short: bool = False
    runs: int = 20
    jobs: int = 1
    times: int = 1

    def often(self, full: int, short: int) -> int:
        """How often to inject, in rows a long campaign repeats."""
        return self.times * self.many(full, short)

    def many(self, full: int, short: int) -> int:
        """How often to inject."""
        return short if self.short else full


@dataclass(frozen=True, slots=True)
class Outcome:
    """``held``: what must hold held. ``control``: what the naive way did; ``control_failed`` None: none is named.

    ``lacking``: what the catalogue wants and the program does not do (yet), in words.
    ``slow``: not held, but only for a time on the real clock; a busy machine may have done that.
    """

    held: bool
    figures: str
    control: str = ""
    control_failed: bool | None = None
    lacking: str = ""
    slow: bool = False


def in_time(held: bool, quick: bool, figures: str, control: str = "", control_failed: bool | None = None) -> Outcome:
    """An outcome that also depends on the real clock. ``quick``: its times were kept."""
    return Outcome(held and quick, figures, control, control_failed, slow=held and not quick)


Runner = Callable[[Bench], Outcome]


@dataclass(frozen=True, slots=True)
class Fault:
    """A row of the catalogue. ``must``: what has to hold."""

    id: str
    title: str
    inject: str
    must: str
    run: Runner


TABLE: dict[str, Fault] = {}


def fault(number: str, title: str, *, inject: str, must: str) -> Callable[[Runner], Runner]:
    """Registers the function below it as the row ``number``; ValueError if that row is taken or unknown."""

    def register(run: Runner) -> Runner:
        if number in TABLE or number not in CATALOGUE + BEYOND:
            raise ValueError(f"{number} is in the table already, or not in the catalogue")
        TABLE[number] = Fault(number, title, inject, must, run)
        return run

    return register


@dataclass(frozen=True, slots=True)
class Result:
    """A row after its run. ``state``: survived, partly, FAILED, control passed, cannot run here, not built."""

    id: str
    title: str
    inject: str
    must: str
    state: str
    injected: bool
    figures: str
    control: str
    lacking: str
    seconds: float
    slow: bool = False


def run_fault(row: Fault, bench: Bench) -> Result:
    """Run one row in its folder."""
    bench.folder.mkdir(parents=True, exist_ok=True)
    begun_s = time.monotonic()
    try:
        found = row.run(bench)
    except CannotRun as lack:
        return _result(row, "cannot run here", Outcome(False, str(lack)), time.monotonic() - begun_s, injected=False)
    except (AssertionError, OSError, LookupError, ValueError, SubprocessError, RinsewatchError) as error:
        broken = Outcome(False, f"the injection itself broke: {type(error).__name__}: {error}")
        return _result(row, "FAILED", broken, time.monotonic() - begun_s, injected=False)
    return _result(row, state_of(found), found, time.monotonic() - begun_s)


def state_of(found: Outcome) -> str:
    """One word for an outcome."""
    if found.control_failed is False:
        return "control passed"
    if not found.held:
        return "not built" if found.lacking else "FAILED"
    return "partly" if found.lacking else "survived"


def unbuilt(number: str) -> Result:
    """A row of the catalogue that has no function."""
    return Result(number, "", "", "", "not built", False, "", "", "no injection written", 0.0)


def _result(row: Fault, state: str, found: Outcome, seconds: float, *, injected: bool = True) -> Result:
    return Result(
        row.id, row.title, row.inject, row.must, state, injected,
        found.figures, found.control, found.lacking, round(seconds, 1), found.slow,
    )  # fmt: skip
