"""Fuzz campaign: what a target is, and the loop that feeds it inputs and books what came of each.

Every input is drawn from a generator seeded with (seed, target, number), so any one of them can be made again alone.
"""

from __future__ import annotations

import random
import time
import traceback
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Protocol, Self

SLOW_S = 2.0  # processor seconds for one input, after which it counts as a hang
_MOST_WORDS = 600  # of an error: more is no clear line
_MOST_SHOWN = 1500  # bytes of an offending input
_MOST_KEPT = 20  # offending inputs of a target


@dataclass(frozen=True, slots=True)
class Given:
    """An input. ``what``: where it goes, or what was done to it; ``truth``: what it must come out as, if known."""

    what: str
    data: bytes
    truth: Any = None


@dataclass(slots=True)
class Tried:
    """What came of an input.

    ``false``: a reading or row that the input does not hold, or a change not noticed, in words; ``unclear``: an error
    that is not one clear line; ``fooled``: the naive control took this input for what it is not.
    """

    accepted: bool = False
    false: str = ""
    unclear: str = ""
    fooled: bool = False

    def refused(self, error: Exception) -> None:
        """The project refused it with one of its own errors; whose words must be one clear line."""
        words = str(error)
        if not words or not words.isprintable() or len(words) > _MOST_WORDS:
            self.unclear = f"{type(error).__name__} in words that are no clear line: {words[:300]!r}"


class Target(Protocol):
    """One kind of input. ``weight``: its part of all inputs; ``control``: what the naive way is."""

    name: str
    weight: int
    control: str

    def make(self, rng: random.Random) -> Given: ...
    def look(self, given: Given) -> Tried: ...
    def close(self) -> None: ...


class Caught:
    """Catches whatever gets out of a block: here alone that is the purpose, not a way to hide it."""

    def __init__(self) -> None:
        self.error: Exception | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> bool:
        self.error = error if isinstance(error, Exception) else None
        return self.error is not None


@dataclass(frozen=True, slots=True)
class Offence:
    """An input that broke a promise."""

    number: int
    kind: str
    words: str
    given: Given

    def __str__(self) -> str:
        data = self.given.data[:_MOST_SHOWN]
        more = len(self.given.data) - len(data)
        cut = f" and {more} bytes more" if more else ""
        return f"input {self.number}, {self.kind}: {self.words}\n    {self.given.what}: {data!r}{cut}"


@dataclass(slots=True)
class Account:
    """What came of a target's inputs."""

    name: str
    control: str
    inputs: int = 0
    accepted: int = 0
    false: int = 0
    raised: int = 0
    unclear: int = 0
    slow: int = 0
    fooled: int = 0
    seconds: float = 0.0
    offences: list[Offence] = field(default_factory=list)

    @property
    def well(self) -> bool:
        """No promise broken, and the control that must fail has failed."""
        return not (self.false or self.raised or self.unclear or self.slow) and self.fooled > 0

    def keep(self, number: int, kind: str, words: str, given: Given) -> None:
        """Keep an offending input to be shown."""
        if len(self.offences) < _MOST_KEPT:
            self.offences.append(Offence(number, kind, words, given))


def run_target(target: Target, numbers: Sequence[int], seed: int) -> Account:
    """Feed a target the inputs of these numbers."""
    account = Account(target.name, target.control)
    begun_s = time.monotonic()
    for number in numbers:
        _one(target, number, seed, account)
    account.seconds = time.monotonic() - begun_s
    return account


def given_of(target: Target, number: int, seed: int) -> Given:
    """Input ``number`` of a target."""
    return target.make(random.Random(f"{seed} {target.name} {number}"))


def _one(target: Target, number: int, seed: int, account: Account) -> None:
    given, tried, caught = given_of(target, number, seed), Tried(), Caught()
    begun_s = time.process_time()
    with caught:
        tried = target.look(given)
    took_s = time.process_time() - begun_s
    account.inputs += 1
    account.accepted += tried.accepted
    account.fooled += tried.fooled
    if caught.error is not None:
        account.raised += 1
        account.keep(number, "uncaught", _told(caught.error), given)
    if tried.false:
        account.false += 1
        account.keep(number, "false", tried.false, given)
    if tried.unclear:
        account.unclear += 1
        account.keep(number, "unclear", tried.unclear, given)
    if took_s > SLOW_S:
        account.slow += 1
        account.keep(number, "hang", f"{took_s:.1f} s of the processor", given)


def _told(error: Exception) -> str:
    frames = traceback.extract_tb(error.__traceback__)[-3:]
    where = " < ".join(f"{frame.filename.rpartition('/')[2]}:{frame.lineno}" for frame in reversed(frames))
    return f"{type(error).__name__}: {str(error)[:200]!r} ({where})"


def shares(targets: Sequence[Target], inputs: int) -> Iterator[tuple[Target, int]]:
    """How many of all inputs each target gets, by its weight, at least one."""
    whole = sum(target.weight for target in targets)
    for target in targets:
        yield target, max(1, round(inputs * target.weight / whole))
