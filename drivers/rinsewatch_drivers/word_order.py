"""Do a Modbus meter's 32-bit values only make sense with their two registers the other way round?

Which register comes first is not laid down in the Modbus specification, and makers differ. Swapped, the sign and the
exponent of a float are the last binary digits of the number: the value leaps about while the other order runs smooth.
"""

from __future__ import annotations

import math
from collections import deque
from itertools import pairwise
from typing import Final, Literal

from msgspec.structs import replace

from rinsewatch_drivers import modbus as wire
from rinsewatch_drivers.numbers import SMALLEST, gross_top
from rinsewatch_drivers.profile import Register

KEPT: Final = 6  # different values in a row looked at
LEAP: Final = math.log(3.0)  # from one to the next: no filtrate does that time after time
SMOOTH: Final = math.log(1.5)
WILD: Final = 3  # values or leaps that make no sense, of those looked at
SWAPPED: Final[dict[str, Literal["big", "little"]]] = {"big": "little", "little": "big"}


class WordOrderWatch:
    """Looks at the registers of every answer; one of a single register has no order and is never suspected."""

    def __init__(self, register: Register, unit: str) -> None:
        self._as_declared = register
        self._other = replace(register, word_order=SWAPPED[register.word_order])
        self._top = gross_top(unit)
        self._seen: deque[tuple[int, ...]] = deque(maxlen=KEPT)
        self.suspected = False

    @property
    def right(self) -> str:
        """The ``word_order`` in which the values make sense, while the declared one is suspected."""
        return self._other.word_order

    def look(self, words: tuple[int, ...]) -> bool:
        """Take in an answer's registers; True at the one that raises the suspicion.

        The suspicion ends once as many values in a row make sense as declared.
        """
        if wire.register_count(self._as_declared) < 2 or (self._seen and words == self._seen[-1]):
            return False
        self._seen.append(words)
        if len(self._seen) < KEPT:
            return False
        wild, smooth_as_other = self._oddities(self._as_declared, LEAP), not self._oddities(self._other, SMOOTH)
        before = self.suspected
        self.suspected = (wild >= WILD and smooth_as_other) or (before and wild > 0)
        return self.suspected and not before

    def _oddities(self, register: Register, leap: float) -> int:
        """How many of the values are no water's, or leap away from the one before."""
        values = [wire.decode(register, words) * register.scale for words in self._seen]
        logs = [math.log(value) if SMALLEST < value <= self._top else math.nan for value in values]
        odd = sum(math.isnan(value) for value in logs)
        return odd + sum(abs(b - a) > leap for a, b in pairwise(logs))
