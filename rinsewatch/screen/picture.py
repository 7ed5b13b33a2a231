"""The dashboard as text: ``python -m rinsewatch.screen.picture [VERDICT] [WIDTHxHEIGHT] [ascii]``.

The rinse in the picture is invented: a smooth washout of made-up numbers, no measurement.
"""

from __future__ import annotations

import math
import sys

from rinsewatch.rinse.setup import Endpoint, EndpointKind, Residue, RinseSetup
from rinsewatch.rinse.state import Interval, Quality, Remaining, RinseState, Verdict
from rinsewatch.screen.snapshot import BandPoint, ChartPoint, Snapshot

_PORTION_ML, _TARGET_US_CM, _TOP_US_CM = 250.0, 18.0, 4000.0
_FLOORS_US_CM = {Verdict.STALLED: 31.0}
_PORTIONS = {Verdict.RINSE: 9, Verdict.STOP: 14, Verdict.CHECK: 9, Verdict.STALLED: 14}
_REASONS = {  # as the core words them
    Verdict.RINSE: "rinse on",
    Verdict.STOP: "the endpoint is reached",
    Verdict.CHECK: "the meter shows 0 where the rinse cannot be yet: probe in air? Put it back into the filtrate",
    Verdict.STALLED: "the target lies below what this rinse water and resin reach: more water will not help",
}


def invented_snapshot(verdict: Verdict = Verdict.RINSE) -> Snapshot:
    """An example for pictures and tests; every number in it is made up."""
    poured = _PORTIONS[verdict] * _PORTION_ML
    floor = _floor_us_cm(verdict)
    history = tuple(_point(float(x), floor) for x in range(0, int(poured) + 1, 50))
    now = 2.0 * round(history[-1].us_cm / 2)  # as whole ppm on a x0.5 meter
    return Snapshot(
        state=_state(verdict, poured, now),
        setup=RinseSetup(
            resin_ml=500, residue=Residue.NAOH, endpoint=Endpoint(EndpointKind.FEED, None, "feed"),
            portion_ml=_PORTION_ML, feed_us_cm=_TARGET_US_CM, rinse_water_us_cm=1.0, top_us_cm=_TOP_US_CM,
        ),
        history=history,
        band=() if verdict is Verdict.STOP else tuple(_forecast(poured, i * 75.0, floor) for i in range(27)),
        meter_name="plain text meter", port="/dev/ttyUSB0", link_words="open",
        last_reading_text="0 ppm" if verdict is Verdict.CHECK else f"{now / 2:.0f} ppm",
        last_reading_age_s=1.0,
        poured_ml=poured, portions=_PORTIONS[verdict], elapsed_s=252.0 * _PORTIONS[verdict],
        batch="example (invented)", recorded=f"{_PORTIONS[verdict] * 84} rows saved",
        message=f"Portion {_PORTIONS[verdict]} poured: 250 mL",
    )  # fmt: skip


def _floor_us_cm(verdict: Verdict) -> float:
    return _FLOORS_US_CM.get(verdict, 1.2)


def _washout(rinse_ml: float, floor_us_cm: float) -> float:
    return 60_000 * math.exp(-rinse_ml / 310) + 90 * math.exp(-rinse_ml / 1400) + floor_us_cm


def _point(rinse_ml: float, floor_us_cm: float) -> ChartPoint:
    us_cm = _washout(rinse_ml, floor_us_cm)
    return ChartPoint(rinse_ml, min(us_cm, _TOP_US_CM), "over" if us_cm > _TOP_US_CM else "reading")


def _forecast(poured_ml: float, ahead_ml: float, floor_us_cm: float) -> BandPoint:
    mid, spread = _washout(poured_ml + ahead_ml, floor_us_cm), 1.08 + ahead_ml / 2500
    return BandPoint(poured_ml + ahead_ml, mid / spread, mid, mid * spread)


def _state(verdict: Verdict, poured_ml: float, now_us_cm: float) -> RinseState:
    done, check = verdict is Verdict.STOP, verdict is Verdict.CHECK
    left = {Verdict.STOP: Remaining(0.0, 0.0, 0.0), Verdict.STALLED: Remaining(2600.0, None, None)}
    return RinseState(
        time_s=252.0 * _PORTIONS[verdict], rinse_ml=poured_ml, reading_us_cm=None if check else now_us_cm,
        filtrate=Interval(now_us_cm * 0.95, now_us_cm, now_us_cm * 1.06), target_us_cm=_TARGET_US_CM,
        floor_us_cm=_floor_us_cm(verdict),
        remaining=left.get(verdict, Remaining(1030.0, 1280.0, 1690.0)), portion_ml=_PORTION_ML, pace_s=252.0,
        chance_reached=0.97 if done else 0.0, chance_unreachable=0.96 if verdict is Verdict.STALLED else 0.02,
        verdict=verdict, reason=_REASONS[verdict], quality=Quality.BAD if check else Quality.GOOD,
        cause="dry" if check else "", is_flow=False,
    )  # fmt: skip


def picture(verdict: Verdict = Verdict.RINSE, width: int = 80, height: int = 24, ascii_only: bool = False) -> str:
    """The dashboard of the invented example as text, trailing blanks removed, one newline at the end."""
    from rinsewatch.screen.dashboard import compose

    lines = compose(invented_snapshot(verdict), width, height, ascii_only)
    return "\n".join("".join(text for text, _ in line).rstrip() for line in lines) + "\n"


def main(arguments: list[str]) -> None:
    """Print the picture the words in ``arguments`` ask for; the encoding of stdout decides the signs."""
    encoding = (sys.stdout.encoding or "ascii").lower()
    verdict = next((Verdict(word) for word in arguments if word in set(Verdict)), Verdict.RINSE)
    size = next((word for word in arguments if word.replace("x", "", 1).isdigit()), "80x24")
    width, height = (int(part) for part in size.split("x"))
    sys.stdout.write(picture(verdict, width, height, "ascii" in arguments or not encoding.startswith("utf")))


if __name__ == "__main__":
    main(sys.argv[1:])
