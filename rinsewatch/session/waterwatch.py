"""Rinse water that is no longer what it was told to be: seen where the readings level off, told once."""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch.errors import QuantityError
from rinsewatch.quantities import parse_reading, reading_us_cm
from rinsewatch.rinse.state import RinseState, Verdict

# So many times the level the told water foresees must the readings' own be, where a portion ends, or the rinse: while
# one stands, or in flow, belief swings. Told, with what follows, in 3 of 78 sound simulated rinses in portions, and in
# 111 of 138 whose water went three times as salty, by however few steps of the display.
LIFTED = 1.7
BEYOND = 1.1  # of what the reading told may stand for: the air and the bed add a little
IN_SIGHT = 0.5  # of the filtrate, from which a level is one that readings go towards, and no mere belief
_TOLD = "note: readings level off at"
_WATER = "note: rinse-water ="


@dataclass(slots=True)
class WaterWatch:
    """``water_known``: the rinse water was read before the rinse. Conductivities uS/cm.

    ``most_us_cm``: its reading and half a digit of the display: what lies below it is that reading still.
    ``tds_factor``: ppm per uS/cm, for a reading told later.
    """

    water_known: bool
    most_us_cm: float = 0.0
    tds_factor: float = 0.5
    _began_us_cm: float | None = None
    _present_us_cm: float | None = None
    _settled_us_cm: float | None = None
    _told: bool = False

    def see(self, event: str, state: RinseState) -> None:
        """A row of the record and the core's answer to it, in order; also those of a rinse that is continued."""
        if event.startswith(_WATER):
            self.water_known, self._began_us_cm, self._settled_us_cm, self._told = True, None, None, False
            self.most_us_cm = self._most_of(event.removeprefix(_WATER))
        elif event == "portion":
            self._settled_us_cm = self._present_us_cm
        elif state.verdict in (Verdict.STOP, Verdict.STALLED):
            self._settled_us_cm = state.floor_us_cm
        self._told = self._told or event.startswith(_TOLD)
        self._present_us_cm = state.floor_us_cm if _in_sight(state) else None
        if self.water_known and self._began_us_cm is None:
            self._began_us_cm = state.floor_us_cm

    def _most_of(self, words: str) -> float:
        try:
            quantity = parse_reading(words)
        except QuantityError:
            return 0.0  # the core does not take it either
        value, step = quantity.value, 10.0**-quantity.decimals
        return most_of(*(reading_us_cm(one, quantity.unit, self.tds_factor) for one in (value, step)))

    def due(self) -> list[str]:
        """The event that has become due."""
        began_us_cm, settled_us_cm = self._began_us_cm, self._settled_us_cm
        if self._told or began_us_cm is None or settled_us_cm is None:
            return []
        if settled_us_cm < max(LIFTED * began_us_cm, BEYOND * self.most_us_cm):
            return []
        levels = f"about {settled_us_cm:.2g} uS/cm, not {began_us_cm:.2g}"
        return [f"{_TOLD} {levels}: has the rinse water changed? read it again; else the resin gives something off"]


def most_of(water_us_cm: float | None, step_us_cm: float | None) -> float:
    """The rinse water's reading and half a digit of it; 0 where it was not read."""
    return 0.0 if water_us_cm is None else water_us_cm + 0.5 * (step_us_cm or 0.0)


def _in_sight(state: RinseState) -> bool:
    return (
        state.filtrate is not None
        and state.floor_us_cm is not None
        and (state.floor_us_cm >= IN_SIGHT * state.filtrate.mid)
    )
