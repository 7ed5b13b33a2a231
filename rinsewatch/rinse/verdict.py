"""From chances to one of four words.

A false "stop" is worse than a late one: it needs the true filtrate to be at the target with high
probability, nowhere near 1.15 times it, on settled readings from a probe that is in order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from rinsewatch.rinse.gate import Cause
from rinsewatch.rinse.state import Verdict

EVEN_CHANCE: Final = 0.5  # the median is at the target
NEAR: Final = 1.10
NEAR_CHANCE: Final = 0.95
WRONG: Final = 1.15
WRONG_CHANCE: Final = 0.985
HIDDEN_CHANCE: Final = 0.995  # as WRONG_CHANCE, where the display's steps hide the target: nothing read bears it out
RISEN_CHANCE: Final = 0.2  # chance of being below WRONG x target under which a stop is taken back
STALLED_CHANCE: Final = 0.97
DOUBT_LASTS: Final = 2.0  # portions at the target and in doubt, from when on more water tells no more ...
DOUBT_LASTS_IN_FLOW: Final = 1.0  # ... or resin volumes
PLATEAU: Final = 0.25  # excess over the floor, of the filtrate, below which the plateau is in sight

_WORDS = {
    Cause.DRY: "the meter shows 0 where the rinse cannot be yet: probe in air? Put it back into the filtrate",
    Cause.LOW: "the reading fell too far: portion poured without p? Bubble, or another vessel? Look, then confirm",
    Cause.HIGH: "the reading is far above the forecast: probe in the liquor, or fresh regenerant? Look, then confirm",
    Cause.FROZEN: "the display has not changed while the filtrate must have: meter frozen?",
    Cause.LINK: "no usable reading: meter lost, silent or not understood",
}

_IN_FLOW = _WORDS | {
    Cause.LOW: "the reading fell too far: bubble, or another vessel? Look, then confirm",
    Cause.HIGH: "the reading is far above the forecast: flow stopped? Liquor, fresh regenerant? Look, then confirm",
    Cause.FROZEN: "the display has not changed while the filtrate must have: meter frozen, or flow stopped (space)?",
}

HIDDEN: Final = "hide the target"
DOUBTED: Final = "not as foreseen: rinse on to bear it out, or look at the probe and confirm it"
LASTING: Final = "still not as foreseen, and more water tells no more: probe in the filtrate? Look, then confirm"
UNLIKE: Final = "does not move as in the portions before: is the probe in the filtrate? Look, then confirm"
BEGUN_LOW: Final = "never read above the target in this rinse: is the probe in the filtrate? Look, then confirm"
STANDS: Final = "the reading stands still, far above what rinse water should read: read that water again (w)"
WAITS: Final = "still reads as the portion before: rinse on, new filtrate is on its way to the probe"
_REACHED: Final = "the endpoint is reached"
_JUST_ABOVE: Final = "the endpoint is reached, or missed by little: by now the filtrate is held to be just above it"
_NO_FLOOR: Final = "the reading stands still far above any floor: is the probe in the filtrate? Look, then confirm"
_NO_FLOOR_IN_FLOW: Final = (
    "the reading stands still far above any floor: has the flow stopped (space)? Look, then confirm"
)
_STALLED: Final = "the target lies below what this rinse water and resin reach: more water will not help"
STALLED_HIGH: Final = "the reading ends far above the rinse water: read that again (w); more water will not help"


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the decision rests on. Chances 0-1; ``excess_share``: (filtrate - floor)/filtrate, medians."""

    chance_at: float
    chance_near: float
    chance_not_wrong: float
    chance_unreachable: float
    excess_share: float
    settled: bool
    known: bool
    hold: Cause
    hold_lasting: bool
    good: bool
    has_target: bool
    patient: bool  # enough water has been poured since the plateau came in sight
    coarse_us_cm: float = 0.0  # display step, where it hides whether the target is reached; else 0
    came_down: bool = True  # in flow: read above the target before, or the person vouches for the probe
    doubted: bool = False  # read lower than foreseen, and no later portion has borne it out
    is_flow: bool = False
    waits: bool = False  # nothing of the present portion has come to the probe, which reads far above it
    stands: bool = False  # read the same for some portions, far above what is believed of the floor
    reads_at: bool = False  # the display is at the target or below: whatever is believed, that is no plateau above it
    reads_above: bool = False  # and for a while has been far above it
    place: float = 0.0  # portions so far; in flow resin volumes
    read_through: bool = True  # this place has been read for as long as it takes to judge it
    floor_high: bool = False  # and far above what the rinse water read, which nobody has read again since
    floor_plausible: bool = True  # what is taken for the floor is one that rinse water and resin could have
    unlike: bool = False  # does not move while the portion stands, or fall from the one before, as earlier ones did


def on_plateau(e: Evidence) -> bool:
    """The target looks out of reach and the floor is in sight."""
    return e.chance_unreachable >= STALLED_CHANCE and e.excess_share < PLATEAU


class Decision:
    """Latches the stop: it stays until the filtrate rises again."""

    def __init__(self) -> None:
        self._stopped = False
        self._doubted_from: float | None = None

    def confirmed(self) -> None:
        """The person says the probe is in the filtrate: a doubt after that begins anew."""
        self._doubted_from = None

    def decide(self, e: Evidence) -> tuple[Verdict, str]:
        """Verdict and one plain sentence."""
        if e.hold is not Cause.NONE and e.hold_lasting:
            self._stopped = self._stopped and e.hold is not Cause.HIGH  # read far above it, a stop must be found anew
            return Verdict.CHECK, (_IN_FLOW if e.is_flow else _WORDS)[e.hold]
        risen = e.reads_above or e.chance_not_wrong < RISEN_CHANCE
        if self._stopped and e.known and e.good and risen:
            self._stopped = False
            return Verdict.RINSE, "the filtrate has risen above the target again: rinse on"
        if self._stopped:
            return Verdict.STOP, _REACHED if e.chance_at >= RISEN_CHANCE else _JUST_ABOVE
        if not e.has_target:
            return Verdict.RINSE, "no target yet: take a reading of the feed or rinse water"
        if not e.known:
            return Verdict.RINSE, "not read in range yet: the forecast rests on usual beds"
        return self._decide_known(e)

    def _decide_known(self, e: Evidence) -> tuple[Verdict, str]:
        near = e.chance_at >= EVEN_CHANCE and e.chance_near >= NEAR_CHANCE
        near = near and e.chance_not_wrong >= (HIDDEN_CHANCE if e.coarse_us_cm else WRONG_CHANCE)
        if near and not e.came_down:
            return Verdict.CHECK, BEGUN_LOW
        if near and e.settled and e.good and e.hold is Cause.NONE:
            self._stopped = True
            return Verdict.STOP, _REACHED
        if self._doubt_lasts(e, near=near):
            return Verdict.CHECK, LASTING
        if on_plateau(e) and e.patient and not e.reads_at:
            no_floor = _NO_FLOOR_IN_FLOW if e.is_flow else _NO_FLOOR
            stalled = STALLED_HIGH if e.floor_high else _STALLED
            return (Verdict.STALLED, stalled) if e.floor_plausible else (Verdict.CHECK, no_floor)
        if e.chance_unreachable >= 0.5 and e.floor_plausible:
            return Verdict.RINSE, "the target may be below what this rinse water and resin reach"
        if e.coarse_us_cm:
            return Verdict.RINSE, f"the display's steps of {e.coarse_us_cm:.2g} uS/cm {HIDDEN}: the forecast decides"
        if near and e.doubted:
            return Verdict.RINSE, DOUBTED
        if near and e.unlike:
            return Verdict.RINSE, UNLIKE
        if near:
            return Verdict.RINSE, "about there: let the reading settle"
        if e.stands:
            return Verdict.RINSE, STANDS
        return Verdict.RINSE, WAITS if e.waits else "rinse on"

    def _doubt_lasts(self, e: Evidence, *, near: bool) -> bool:
        """At the target by all that is believed, and in doubt, for so long that only the person can end it."""
        if not near:
            self._doubted_from = None
        elif e.doubted or e.unlike:
            self._doubted_from = e.place if self._doubted_from is None else self._doubted_from
            return e.read_through and e.place - self._doubted_from >= (
                DOUBT_LASTS_IN_FLOW if e.is_flow else DOUBT_LASTS
            )
        return False
