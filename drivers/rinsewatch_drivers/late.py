"""A meter that answers, but always after the profile's time-out: noticed, and told once."""

from __future__ import annotations

_ENOUGH = 3  # a single late answer is a busy meter


class LateAnswers:
    """Questions without an answer in time, after which bytes came all the same."""

    def __init__(self, timeout_s: float, least_bytes: int) -> None:
        self._timeout_s = timeout_s
        self._least_bytes = least_bytes  # fewer than the shortest answer has are noise
        self._owed = self._told = False
        self._late = self._bytes = 0

    def asked(self, *, answered: bool) -> None:
        """One question is over; ``answered``: in time, whatever it said."""
        self._owed, self._bytes = not answered, 0
        if answered:
            self._late = 0

    def came(self, count: int) -> None:
        """So many bytes while nobody waited for an answer."""
        self._bytes += count
        if self._owed and self._bytes >= self._least_bytes:
            self._owed = False
            self._late += 1

    def hint(self) -> str:
        """What the user should be told, once; empty else."""
        if self._told or self._late < _ENOUGH:
            return ""
        self._told = True
        return (
            f"the meter answers after more than the {self._timeout_s:g} s it is given: raise timeout_s in its profile "
            "(and interval_s, never shorter)"
        )
