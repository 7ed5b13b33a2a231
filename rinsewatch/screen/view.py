"""From a snapshot to words. No rich, no console, ASCII only; dashboard and plain lines share them.

Every sentence about the future carries its interval, or says that it is not yet known.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache

from rinsewatch.rinse.setup import EndpointKind, Residue
from rinsewatch.rinse.state import Quality, Remaining, RinseState, Verdict
from rinsewatch.rinse.target import target_us_cm
from rinsewatch.screen.snapshot import HISTORY_LIMIT, BandPoint, ChartPoint, Snapshot, decimated

__all__ = ["HISTORY_LIMIT", "BandPoint", "ChartPoint", "Snapshot", "decimated"]

NOT_YET = "not yet known"
_RESIDUE_WORDS = {Residue.NAOH: "caustic", Residue.HCL: "acid", Residue.SALT: "salt"}
_ENDPOINT_WORDS = {
    EndpointKind.FEED: "feed water",
    EndpointKind.ZERO: "rinse water",
    EndpointKind.BREAK_EVEN: "break-even",
    EndpointKind.VALUE: "chosen value",
}
_TITLES = {
    Verdict.RINSE: "RINSE ON",
    Verdict.STOP: "STOP",
    Verdict.CHECK: "CHECK THE PROBE",
    Verdict.STALLED: "STALLED",
}
_QUALITY_WORDS = {
    Quality.GOOD: "in order",
    Quality.UNCERTAIN: "uncertain",
    Quality.BAD: "NOT TRUSTED",
    Quality.MISSING: "no reading",
}
# The core's causes of disbelief; one it may add later is shown as it is.
_CAUSE_WORDS = {
    "dry": "reads zero like a probe in air",
    "low": "too low for the rinse: bubble?",
    "high": "far above the forecast: splash?",
    "frozen": "the display does not change",
    "link": "no readings come from the meter",
}
_FORGOTTEN_WORDS = "too low for the rinse: p forgotten?"
_NO_MEANING = {Quality.BAD: "not trusted", Quality.UNCERTAIN: "not trusted yet; read it again"}
_ENOUGH = "no more water needed"
_UNKNOWN = "meaning " + NOT_YET
_METER_CAUSES = ("link", "frozen")


def number_words(value: float) -> str:
    """A number for reading at arm's length: three significant digits, no exponent below a million."""
    if not math.isfinite(value):
        return "?"
    if value == 0:
        return "0"
    decimals = max(0, min(3, 2 - math.floor(math.log10(abs(value)))))
    text = f"{value:.{decimals}f}" if abs(value) < 1e6 else f"{value:.2g}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def volume_words(volume_ml: float) -> str:
    """``850 mL`` below one litre, ``1.25 L`` from there on."""
    if not math.isfinite(volume_ml):
        return "? mL"
    if abs(volume_ml) < 999.5:
        return f"{volume_ml:.0f} mL"
    return f"{volume_ml / 1000:.2f} L" if volume_ml < 99_995 else f"{volume_ml / 1000:.0f} L"


def minutes_words(minutes: float) -> str:
    """``about 21 min``, ``about 1 h 40 min``; less than a minute and a half is ``about a minute``."""
    if not math.isfinite(minutes):
        return "time " + NOT_YET
    if minutes < 1.5:
        return "about a minute"
    if minutes < 90:
        return f"about {minutes:.0f} min"
    hours, rest = divmod(round(minutes / 10) * 10, 60)
    return f"about {hours} h {rest} min" if hours < 48 else "more than two days"


def clock_words(elapsed_s: float) -> str:
    """``1:02:03`` since the rinse began."""
    whole = max(0, int(elapsed_s)) if math.isfinite(elapsed_s) else 0
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def age_words(age_s: float | None, *, by_hand: bool = False) -> str:
    """How old the last reading is: over ten seconds a meter's is said aloud as old; a typed one is not stale."""
    if age_s is None or not math.isfinite(age_s):
        return "no reading yet"
    old = "" if by_hand or age_s < 10 else "OLD: "
    least_min_s = 120 if by_hand else 600
    return f"{old}{max(0.0, age_s):.0f} s ago" if age_s < least_min_s else f"{old}{age_s / 60:.0f} min ago"


def flow_mode(snapshot: Snapshot) -> bool:
    """True while rinse water runs continuously, by the newest state, else by the set-up."""
    return snapshot.state.is_flow if snapshot.state else snapshot.setup.is_flow


def residue_words(snapshot: Snapshot) -> str:
    """``caustic`` , ``acid`` or ``salt``: what is being washed out."""
    return _RESIDUE_WORDS[snapshot.setup.residue]


def reading_words(snapshot: Snapshot) -> str:
    """What the meter shows and what that means: ``7 ppm = about 14 uS/cm; caustic left about 2 mg/L``.

    A meter in uS/cm is not told its own reading again: ``14.2 uS/cm; caustic left about 2 mg/L``.
    """
    shown = snapshot.last_reading_text
    if not shown and snapshot.last_reading_age_s is None:
        return "no reading yet"
    state, unread = snapshot.state, _unread(snapshot)
    if state is None or state.reading_us_cm is None or unread:
        # typed so, the meaning says it all
        return unread if shown in ("over", "under") else f"{shown}: {unread}".lstrip(": ")
    about = f"{shown} = about {number_words(state.reading_us_cm)} uS/cm".lstrip()
    words = shown if shown.endswith(" uS/cm") else about
    left = residue_left_mg_l(snapshot.setup.residue, state.reading_us_cm - (state.floor_us_cm or 0.0))
    if left is None:
        return words
    return f"{words}; {residue_words(snapshot)} left about {number_words(_two_digits(left))} mg/L"


def _unread(snapshot: Snapshot) -> str:
    """Why there is no value to show, "" if there is one."""
    kind = snapshot.history[-1].kind if snapshot.history else "reading"
    top = snapshot.setup.top_us_cm
    if kind == "over":
        return f"over range, more than {number_words(top)} uS/cm" if top else "over range"
    state = snapshot.state
    if state is None or state.reading_us_cm is None:
        words = _NO_MEANING.get(state.quality, _UNKNOWN) if state else _UNKNOWN
        return f"{words}; mistyped? press u" if snapshot.by_hand and words != _UNKNOWN else words
    if kind == "under" or state.reading_us_cm == 0:
        step = snapshot.setup.resolution_us_cm
        return f"below about {number_words(step / 2)} uS/cm" if step else "below what the meter shows"
    return ""


def _two_digits(value: float) -> float:
    return float(f"{value:.2g}")


@cache
def _scale(residue: Residue) -> tuple[Callable[[float], float], float, float]:
    """To linear uS/cm, where that ends, and mg/L per linear uS/cm; imported late, for numpy's sake."""
    from rinsewatch.chemistry.conductivity import LinearScale
    from rinsewatch.chemistry.tables import MOLAR_MASS_G_MOL, Solute

    scale = LinearScale(residue.value)
    molar_mass = MOLAR_MASS_G_MOL[Solute.NACL if residue is Residue.SALT else Solute(residue.value)]
    return scale.to_linear, scale.top_us_cm, molar_mass / scale.limit_s_cm2_mol


def residue_left_mg_l(residue: Residue, above_floor_us_cm: float) -> float | None:
    """Residue in the filtrate, mg/L, whose conductivity is this much (uS/cm, 25 C) above the rinse water's.

    None where the chemistry has no answer (near and above the maximum of the curve, or no finite number).
    """
    to_linear, top_us_cm, mg_l_per_us_cm = _scale(residue)
    if not 0 <= above_floor_us_cm <= top_us_cm:
        return None
    return to_linear(above_floor_us_cm) * mg_l_per_us_cm


def filtrate_words(snapshot: Snapshot) -> str:
    """Estimate of the true filtrate with its 5 to 95 % interval, then the target and the floor."""
    state = snapshot.state
    nothing_poured = snapshot.poured_ml <= 0 and not flow_mode(snapshot)  # no filtrate yet, or no more
    if state is None or state.filtrate is None or nothing_poured:
        return f"{NOT_YET}; {target_words(snapshot)}"
    low, mid, high = (number_words(v) for v in (state.filtrate.low, state.filtrate.mid, state.filtrate.high))
    return f"{mid} uS/cm ({low} to {high}); {target_words(snapshot)}"


def target_words(snapshot: Snapshot) -> str:
    """``target 18 (9 ppm, feed water), floor 1.1`` in uS/cm; the ppm are the meter's own."""
    state, setup = snapshot.state, snapshot.setup
    target = target_of(snapshot)
    name = _ENDPOINT_WORDS[setup.endpoint.kind]
    if target is None:
        return f"target {name}, value {NOT_YET}"
    text = f"target {number_words(target)} ({number_words(target * setup.tds_factor)} ppm, {name})"
    floor = state.floor_us_cm if state else None
    return text if floor is None else f"{text}, floor {number_words(_two_digits(floor))}"


def target_of(snapshot: Snapshot) -> float | None:
    """The target, uS/cm; before the first row from the set-up. None while not known."""
    if snapshot.state is not None:
        return snapshot.state.target_us_cm
    return target_us_cm(snapshot.setup, snapshot.setup.resolution_us_cm or 0.0)


def verdict_title(snapshot: Snapshot) -> str:
    """The verdict in capitals; WAITING before the first answer."""
    state = snapshot.state
    title = _TITLES[state.verdict] if state else "WAITING"
    if state and state.verdict is Verdict.CHECK and state.cause in _METER_CAUSES:
        title = "CHECK THE METER"
    if snapshot.unfinished:
        return f"BROKEN OFF, {title}"
    if snapshot.finished:
        return f"FINISHED, {title}"
    return f"PAUSED, {title}" if snapshot.paused else title


def verdict_action(snapshot: Snapshot) -> str:
    """What to do now, in one line."""
    state, flow = snapshot.state, flow_mode(snapshot)
    if state is None:
        return _first_steps(snapshot)
    if state.verdict is Verdict.STOP:
        return "the rinse is done: shut the water off" if flow else "the rinse is done: pour no more"
    if state.verdict is Verdict.CHECK and state.cause in _METER_CAUSES:
        return "look at the meter and its cable; no stop is called until readings come again"
    if state.verdict is Verdict.CHECK and state.cause == "low" and not flow:
        return "poured without p? Press p. Else probe into the filtrate, then c; no stop is called on these readings"
    if state.verdict is Verdict.CHECK:
        return "probe into the filtrate, then press c; no stop is called on these readings"
    if state.verdict is Verdict.STALLED:
        return "more water will not help"
    return remaining_words(snapshot)


def _first_steps(snapshot: Snapshot) -> str:
    if not snapshot.by_hand:
        return "dip the probe into the filtrate"
    return "press = to type a reading" if flow_mode(snapshot) else "press p for each portion, = to type a reading"


def reason_words(snapshot: Snapshot) -> str:
    """The core's one sentence as a sentence; where it only repeats the verdict, the chances instead."""
    state = snapshot.state
    if state is None:
        return "Waiting for the first reading of the filtrate."
    if says_no_more(state):
        return f"Chances: {chance_words(state)}."
    return state.reason[0].upper() + state.reason[1:] + ("" if state.reason[-1] in ".?!" else ".")


def says_no_more(state: RinseState) -> bool:
    """Whether the core's sentence only repeats its verdict."""
    return state.reason.lower() in ("", "rinse on")


def remaining_words(snapshot: Snapshot) -> str:
    """``5 more portions (4 to 7), about 21 min``; flow: ``1.30 L more (1.10 L to 1.70 L), about 13 min``."""
    state, remaining = snapshot.state, _remaining(snapshot)
    if state is None or remaining is None:
        return "water still needed: " + NOT_YET
    words = _amount_words(remaining, None if state.is_flow else state.portion_ml)
    if words == _ENOUGH and state.verdict is Verdict.RINSE:
        return f"{words}; let the reading settle"
    if remaining.mid_ml is None or remaining.mid_ml <= 0:
        return words
    minutes = state.remaining_min
    return f"{words}, {minutes_words(minutes)}" if minutes is not None else f"{words}, minutes {NOT_YET}"


def _remaining(snapshot: Snapshot) -> Remaining | None:
    """What is left, with all that is no finite number taken as not known."""
    given = snapshot.state.remaining if snapshot.state else None
    if given is None or not math.isfinite(given.low_ml):
        return None
    mid, high = (None if v is None or not math.isfinite(v) else v for v in (given.mid_ml, given.high_ml))
    return Remaining(given.low_ml, mid, high)


def _amount_words(remaining: Remaining, portion_ml: float | None) -> str:
    if remaining.mid_ml is not None and max(remaining.mid_ml, remaining.high_ml or 0) <= 0:
        return _ENOUGH
    low, mid, high = _amounts(remaining, portion_ml)
    unit = " more" if portion_ml is None else " more portion" if (mid or low) == "1" else " more portions"
    if mid is None:
        return f"at least {low}{unit}; it may never get there"
    if high is None:
        return f"{mid}{unit} (at least {low}; it may never get there)"
    return f"{mid}{unit} ({low} to {high})"


def _amounts(remaining: Remaining, portion_ml: float | None) -> tuple[str, str | None, str | None]:
    """Low, median, high as volumes, or as whole portions: rounded outwards, at least 1 in the middle."""
    low, mid, high = remaining.low_ml, remaining.mid_ml, remaining.high_ml
    if portion_ml is None:
        return (volume_words(low), None if mid is None else volume_words(mid),
                None if high is None else volume_words(high))  # fmt: skip
    slack = 0.05  # a twentieth of a portion more or less is nobody's portion
    likely = None if mid is None else max(1, round(mid / portion_ml))
    most = None if high is None else max(likely or 0, math.ceil(high / portion_ml - slack))
    least = max(0, math.floor(low / portion_ml + slack))
    return str(least), None if likely is None else str(likely), None if most is None else str(most)


def certainty_words(snapshot: Snapshot) -> str:
    """The price of certainty: what being 95 % sure may cost beyond the likely volume."""
    remaining = _remaining(snapshot)
    if remaining is None:
        return "water to have ready: " + NOT_YET
    if remaining.mid_ml is None or remaining.high_ml is None:
        return f"at least {volume_words(remaining.low_ml)} more; no volume makes it 95 % sure"
    if remaining.high_ml <= 0:
        return "nothing more to pour"
    extra = max(0.0, remaining.high_ml - remaining.mid_ml)
    return (
        f"{volume_words(remaining.mid_ml)} likely, {volume_words(remaining.high_ml)} to be 95 % sure: "
        f"certainty costs {volume_words(extra)}"
    )


def chance_words(state: RinseState) -> str:
    """Chances that the target is reached now, and that it never can be."""
    return f"reached now {percent(state.chance_reached)}, out of reach {percent(state.chance_unreachable)}"


def percent(chance: float) -> str:
    """Never a flat 0 or 100 %: a forecast is not that sure."""
    if not 0 <= chance <= 1:
        return "?"
    return "under 1 %" if chance < 0.01 else "over 99 %" if chance > 0.99 else f"{chance * 100:.0f} %"


def water_words(snapshot: Snapshot) -> str:
    """Rinse water used so far."""
    used = volume_words(snapshot.poured_ml)
    if flow_mode(snapshot):
        flow = snapshot.setup.flow_ml_min
        return f"{used} run" + (f" at {number_words(flow)} mL/min" if flow else "")
    counted = "1 portion" if snapshot.portions == 1 else f"{snapshot.portions} portions"
    size = snapshot.state.portion_ml if snapshot.state else snapshot.setup.portion_ml
    return f"{used} poured in {counted}" + (f"; portion now {volume_words(size)}" if size else "")


def probe_words(snapshot: Snapshot) -> str:
    """Health of the probe and age of the last reading: ``in order; read 1 s ago``."""
    age = age_words(snapshot.last_reading_age_s, by_hand=snapshot.by_hand)
    state = snapshot.state
    if state is None:
        return age
    health = _QUALITY_WORDS[state.quality]
    cause = _CAUSE_WORDS.get(state.cause, state.cause.replace("_", " ").replace("-", " "))
    if state.cause == "low" and not flow_mode(snapshot):
        cause = _FORGOTTEN_WORDS
    came = f"{'typed' if snapshot.by_hand else 'read'} {age}" if snapshot.last_reading_age_s is not None else age
    return f"{health} ({cause}); {came}" if cause else f"{health}; {came}"


def meter_words(snapshot: Snapshot) -> str:
    """Which meter, on which port, and how the link is; a link that is down gets a mark."""
    parts = [snapshot.meter_name or "meter", f"on {snapshot.port}" if snapshot.port else ""]
    name = " ".join(part for part in parts if part)
    if not snapshot.link_words or snapshot.link_words.startswith("open"):
        return f"{name}: {snapshot.link_words}" if snapshot.link_words else name
    return f"!! {name}: {snapshot.link_words}"


def is_saved(snapshot: Snapshot) -> bool:
    """False when the caller says that rows are not being stored."""
    return not snapshot.recorded.startswith("NOT SAVED")


def record_words(snapshot: Snapshot) -> str:
    """How many rows are stored, or loudly that they are not."""
    if not snapshot.recorded:
        return "not recorded"
    return snapshot.recorded if is_saved(snapshot) else "!! " + snapshot.recorded
