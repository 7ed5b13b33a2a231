"""Rinse water that is no longer what it was told to be: seen where the readings level off, told once."""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch.rinse.state import RinseState, Verdict

# So many times the level the told water foresees must the readings' own be, where a portion ends, or the rinse: while
# one stands, or in flow, belief swings. Of 120 sound simulated rinses in portions none came to 1.66 (in flow 2 of 60);
# with water gone three times as salty, by two steps of the display or more, 107 of 120 came to 1.7.
LIFTED = 1.7
IN_SIGHT = 0.5  # of the filtrate, from which a level is one that readings go towards, and no mere belief
_TOLD = "note: readings level off at"
_WATER = "note: rinse-water ="


@dataclass(slots=True)
class WaterWatch:
    """``water_known``: the rinse water was read before the rinse. Conductivities uS/cm."""

    water_known: bool
    _began_us_cm: float | None = None
    _present_us_cm: float | None = None
    _settled_us_cm: float | None = None
    _told: bool = False

    def see(self, event: str, state: RinseState) -> None:
        """A row of the record and the core's answer to it, in order; also those of a rinse that is continued."""
        if event.startswith(_WATER):
            self.water_known, self._began_us_cm, self._settled_us_cm, self._told = True, None, None, False
        elif event == "portion":
            self._settled_us_cm = self._present_us_cm
        elif state.verdict in (Verdict.STOP, Verdict.STALLED):
            self._settled_us_cm = state.floor_us_cm
        self._told = self._told or event.startswith(_TOLD)
        self._present_us_cm = state.floor_us_cm if _in_sight(state) else None
        if self.water_known and self._began_us_cm is None:
            self._began_us_cm = state.floor_us_cm

    def due(self) -> list[str]:
        """The event that has become due."""
        began_us_cm, settled_us_cm = self._began_us_cm, self._settled_us_cm
        if self._told or began_us_cm is None or settled_us_cm is None or settled_us_cm < LIFTED * began_us_cm:
            return []
        levels = f"about {settled_us_cm:.2g} uS/cm, not {began_us_cm:.2g}"
        return [f"{_TOLD} {levels}: has the rinse water changed? read it again; else the resin gives something off"]


def _in_sight(state: RinseState) -> bool:
    return (
        state.filtrate is not None
        and state.floor_us_cm is not None
        and (state.floor_us_cm >= IN_SIGHT * state.filtrate.mid)
    )
