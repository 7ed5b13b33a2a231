"""Rinse water that is no longer what it was told to be: seen where the readings level off, told once."""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch.rinse.state import RinseState

# The level at which readings end must be so many times the water's that was told. Of 12 sound simulated rinses none
# came above 1.73 times; with water gone three times as salty 11 of 12 came to 2.25 to 4.2 (the 12th: a coarse display).
LIFTED = 2.0
_TOLD = "note: readings level off at"
_WATER = "note: rinse-water ="


@dataclass(slots=True)
class WaterWatch:
    """``water_known``: the rinse water was read before the rinse. Conductivities uS/cm."""

    water_known: bool
    _began_us_cm: float | None = None
    _told: bool = False

    def see(self, event: str, state: RinseState) -> None:
        """A row of the record and the core's answer to it, in order; also those of a rinse that is continued."""
        if event.startswith(_WATER):
            self.water_known, self._began_us_cm, self._told = True, None, False
        self._told = self._told or event.startswith(_TOLD)
        if self.water_known and self._began_us_cm is None:
            self._began_us_cm = state.floor_us_cm

    def due(self, state: RinseState | None) -> list[str]:
        """The event that has become due."""
        began_us_cm, floor_us_cm = self._began_us_cm, state.floor_us_cm if state is not None else None
        if self._told or began_us_cm is None or floor_us_cm is None or floor_us_cm < LIFTED * began_us_cm:
            return []
        levels = f"about {floor_us_cm:.2g} uS/cm, not {began_us_cm:.2g}"
        return [f"{_TOLD} {levels}: has the rinse water changed? read it again; else the resin gives something off"]
