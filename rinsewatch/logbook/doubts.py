"""What in a recording can be replayed but looks wrong: said once, with the row, and never mended."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches

from rinsewatch.logbook.settings import SETTING_NAMES, Settings
from rinsewatch.rinse.row import Row

_LEAST_FALL_ML = 1e-6


def misspelt_settings(settings: Settings) -> list[str]:
    """A word for each name that is none of ours but close to one; all others are somebody else's."""
    words: list[str] = []
    for name in settings:
        near = [] if name in SETTING_NAMES else get_close_matches(name.lower(), SETTING_NAMES, n=1)
        if near:
            words.append(f"the setting {name} is unknown and ignored; did you mean {near[0]}?")
    return words


@dataclass(slots=True)
class RowDoubts:
    """Looks at the rows in order; speaks at the first of each kind."""

    latest_s: float | None = None
    volume_ml: float | None = None
    told_time: bool = False
    told_volume: bool = False

    def look(self, number: int, row: Row) -> list[str]:
        """What is odd about row ``number`` (from 1), as far as it was not said of an earlier one."""
        return [words for words in (self._time(number, row), self._volume(number, row)) if words]

    def _time(self, number: int, row: Row) -> str:
        latest_s, self.latest_s = self.latest_s, max(row.time_s, self.latest_s or row.time_s)
        if self.told_time or latest_s is None or row.time_s >= latest_s:
            return ""
        self.told_time = True
        return f"row {number}: time_s runs backwards ({row.time_s:g} after {latest_s:g}); such rows count as no later"

    def _volume(self, number: int, row: Row) -> str:
        before_ml = self.volume_ml
        if row.rinse_ml is None:
            return ""
        self.volume_ml = row.rinse_ml
        fell = before_ml is not None and row.rinse_ml < before_ml - _LEAST_FALL_ML
        if self.told_volume or not fell or row.event == "undo":
            return ""
        self.told_volume = True
        return (
            f"row {number}: rinse_ml falls from {before_ml:g} to {row.rinse_ml:g} without an undo; "
            "it should count all rinse water poured so far"
        )
