"""Codes of the core and of the record in plain words."""

from __future__ import annotations

from rinsewatch.rinse.state import Verdict

RESIDUE_WORDS = {"NaOH": "caustic (NaOH)", "HCl": "acid (HCl)", "salt": "salt"}
VERDICT_WORDS = {
    Verdict.STOP: "The endpoint was reached.",
    Verdict.RINSE: "The endpoint was not reached.",
    Verdict.CHECK: "It ended with readings that could not be trusted.",
    Verdict.STALLED: "The target could not be reached with this rinse water and resin.",
}
SETTING_WORDS = {
    "resin_ml": "Resin, mL",
    "portion_ml": "Portion, mL",
    "flow_ml_min": "Flow, mL/min",
    "residue": "Residue",
    "endpoint": "Endpoint",
    "feed": "Feed water",
    "rinse_water": "Rinse water",
    "water_state": "State of the rinse water",
    "meter": "Meter profile",
    "top": "Largest reading of the meter",
    "resolution": "Step of the display",
    "resin": "Resin in the logbook",
}
_CAUSE_WORDS = {
    "dry": "zero like a probe in air",
    "low": "too low for the rinse: bubble, or a portion that was not logged",
    "high": "far above the forecast: splash, another vessel",
    "frozen": "the display did not change",
    "link": "no readings came from the meter",
}
_EVENT_WORDS = {"undo": "a portion was taken back", "pause": "pause", "resume": "resumed"}
CAUTIONS = (
    "Interpretations, not measurements of the resin: the meter saw only the filtrate. The water is not for drinking.",
    "Caustic and acid injure eyes and skin: goggles and gloves. Labels, safety data sheets and local codes come first; "
    "where they ask for licensed practice, so does this.",
)


def cause_words(cause: str, *, flow: bool) -> str:
    """Why readings were not believed."""
    if cause == "low" and flow:
        return "too low for the rinse: bubble"
    return _CAUSE_WORDS.get(cause, cause.replace("_", " ").replace("-", " ") or "not believed")


def event_words(event: str) -> str:
    """An event of the record; a person's note comes as it was written."""
    return _EVENT_WORDS.get(event, event.removeprefix("note:").strip())


def opposite_words(residue: str) -> str:
    """Which resin a residue wears."""
    return {"NaOH": "the cation resin", "HCl": "the anion resin"}.get(residue, "either resin")
