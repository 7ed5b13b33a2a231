"""The report of one rinse in words, tables and pictures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from rinsewatch.chemistry.resin import Range
from rinsewatch.logbook.earliershares import learned_in, learned_words
from rinsewatch.logbook.settings import EARLIER_NAMES, PLANNED_NAMES
from rinsewatch.report.document import Block, Document, Facts, Grid, Picture, Words
from rinsewatch.report.numbers import between, chance, clock, estimate, litres, number, still, us_cm, utc_minute
from rinsewatch.report.price import USUAL_RESIN_VOLUMES, Left, water
from rinsewatch.report.rinsewords import (
    CAUTIONS,
    RESIDUE_WORDS,
    SETTING_WORDS,
    VERDICT_WORDS,
    cause_words,
    event_words,
    opposite_words,
)
from rinsewatch.report.story import Fault, Moment, Story
from rinsewatch.rinse.state import RinseState, Verdict

if TYPE_CHECKING:
    from matplotlib.figure import Figure, SubFigure

DEMO_BATCH = "demo"  # the name under which the demonstration records
# Told elsewhere in the report; the factor as the one in use, which is there also where none was given.
_TOLD_ELSEWHERE = ("batch", "tds_factor", *EARLIER_NAMES, *PLANNED_NAMES)
MOST_ROWS = 200  # of a table; a page is to be read


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """Where a rinse comes from. ``name``: 'rinse 12' or the file's name; ``details``: further facts on it."""

    name: str
    details: tuple[tuple[str, str], ...] = ()
    settings: Mapping[str, object]
    started_utc: str = ""

    @property
    def batch(self) -> str:
        """The batch's name as it was given, or ""."""
        return str(self.settings.get("batch") or "")


def rinse_document(story: Story, origin: Origin) -> Document:
    """The whole report."""
    blocks: list[Block] = [_verdict(story, origin), _curve(story)]
    if story.moments:
        blocks += [_forecasts(story), _forecast_grid(story)]
    blocks += [
        _water(story, origin),
        _given_up(story),
        _steps(story),
        _faults(story),
        _events(story),
        _settings(story, origin),
    ]
    blocks.append(Words("Mind", CAUTIONS))
    return Document(_title(origin), _summary(story, origin), tuple(blocks))


def _title(origin: Origin) -> str:
    return f"Rinse report: {origin.name}" + (f", {origin.batch}" if origin.batch else "")


def _summary(story: Story, origin: Origin) -> tuple[str, ...]:
    setup, last = story.setup, story.last
    how = f"{litres(setup.resin_ml)} of resin, {RESIDUE_WORDS[setup.residue.value]} rinsed out"
    when = f", begun {utc_minute(origin.started_utc)}" if origin.started_utc else ""
    lines = [f"{how}{when}.", f"{VERDICT_WORDS[last.verdict]} {_stop_words(story)}"]
    if origin.batch == DEMO_BATCH:
        lines.append(f"Batch {DEMO_BATCH!r}: made by 'rinsewatch demo'; simulated, all data invented.")
    return tuple(lines)


def _stop_words(story: Story) -> str:
    poured = f"{litres(story.last.rinse_ml)} poured in {clock(story.last.time_s)} (h:min:s)"
    if story.stop is None:
        return f"{poured}; no stop was announced."
    return f"{poured}; stop announced after {litres(story.stop.rinse_ml)}, {clock(story.stop.time_s)}."


def _verdict(story: Story, origin: Origin) -> Facts:
    last = story.last
    learned = learned_in(origin.settings)
    words = "" if learned is None else learned_words(learned, _resin_name(origin))
    known = [("The forecast began with", words.removeprefix("forecast starts from "))] if words else []
    rows = [
        *origin.details,
        *known,
        ("Verdict at the end", f"{last.verdict.value}: {last.reason}"),
        ("Filtrate at the end, 5 to 95 %", f"{estimate(last.filtrate)} µS/cm" if last.filtrate else "not known"),
        ("Target", "not known" if last.target_us_cm is None else _target(story)),
        ("Floor: the lowest it can get", _floor(last)),
        ("Chance that the target is reached", chance(last.chance_reached)),
        ("Readings", f"{story.counted}, {len(story.readings.bad)} of them not believed"),
    ]
    if last.verdict is not Verdict.STOP:
        rows.insert(2, ("Water still to pour, mL", still(last.remaining)))
    return Facts("Verdict", tuple(rows))


def _micro(words: str) -> str:
    return words.replace("uS/cm", "µS/cm")


def _floor(last: RinseState) -> str:
    return us_cm(last.floor_us_cm) if last.floor_us_cm and last.filtrate else "not known"


def _resin_name(origin: Origin) -> str:
    return str(origin.settings.get("resin", ""))


def _target(story: Story) -> str:
    endpoint = story.setup.endpoint
    return f"{us_cm(story.last.target_us_cm or 0.0)} (endpoint {_micro(endpoint.text or endpoint.kind.value)})"


def _curve(story: Story) -> Picture:
    last, setup = story.last, story.setup
    fall = [step.state.filtrate for step in story.steps if step.state.filtrate is not None]
    course = f"The filtrate falls from {us_cm(fall[0].mid)} to {us_cm(fall[-1].mid)}. " if fall else ""
    over = f"{len(story.readings.over_ml)} readings are over range. " if story.readings.over_ml else ""
    stop = f"Stop is announced after {litres(story.stop.rinse_ml)}." if story.stop else "No stop is announced."
    target = f"The target is {us_cm(last.target_us_cm)}. " if last.target_us_cm else ""
    alt = f"Conductivity against rinse water, 0 to {litres(last.rinse_ml)}, logarithmic. {over}{course}{target}{stop}"
    how = "continuous flow" if setup.is_flow else "one stack of readings for each portion"
    caption = (
        f"Readings on the meter's 25 °C scale ({how}); the filtrate with its 5 to 95 % interval. "
        "What was over range or zero stands at the edges."
    )
    return Picture("The curve.", caption, alt, 0.48, partial(_draw_curve, story))


def _forecasts(story: Story) -> Picture:
    said = "; ".join(f"after {litres(m.state.rinse_ml)} {still(m.state.remaining)} mL more" for m in story.moments)
    alt = f"Forecast bands of the filtrate, {len(story.moments)} panels. Water to the target as forecast: {said}."
    caption = "Each as it stood at that moment, before anything to its right had been read."
    return Picture("The forecast as it stood.", caption, alt, 0.4, partial(_draw_forecasts, story))


def _draw_curve(story: Story, figure: Figure | SubFigure) -> None:
    from rinsewatch.report.rinsechart import draw_curve

    draw_curve(story, figure)


def _draw_forecasts(story: Story, figure: Figure | SubFigure) -> None:
    from rinsewatch.report.rinsechart import draw_forecasts

    draw_forecasts(story, figure)


def _forecast_grid(story: Story) -> Grid:
    head = ("after", "time", "still to pour then, mL", "so in all, mL", "it came to, mL")
    came = "no stop" if story.stop is None else f"{story.stop.rinse_ml:.0f}"
    rows = [(*_forecast_cells(moment), came) for moment in story.moments]
    over = any(moment.state.filtrate is None for moment in story.moments)
    note = "Median, and from 5 to 95 %. It came to: the water at which stop was announced."
    if over:
        note += " Where no reading in range had been trusted yet, the forecast rests on usual beds."
    return Grid("", head, tuple(rows), note)


def _forecast_cells(moment: Moment) -> tuple[str, ...]:
    state, ahead = moment.state, moment.state.remaining
    poured = state.rinse_ml
    if ahead is None or ahead.mid_ml is None:
        return litres(poured), clock(state.time_s), still(ahead), "not known"
    high = "no end known" if ahead.high_ml is None else number(poured + ahead.high_ml)
    whole = f"{number(poured + ahead.mid_ml)} ({number(poured + ahead.low_ml)} to {high})"
    return litres(poured), clock(state.time_s), still(ahead), whole


def _water(story: Story, origin: Origin) -> Facts:
    account, resin = water(story.stop, story.last, story.setup), story.setup.resin_ml
    rows = [("Rinse water used", f"{litres(account.used_ml)}, {number(account.used_ml / resin)} resin volumes")]
    if account.stop_ml is not None:
        after = account.used_ml - account.stop_ml
        rows.append(("Poured after stop was announced", litres(after) if after > 0.5 else "none"))
    if planned := _planned_words(origin.settings):
        rows.append(("Planned before", planned))
    usual = f"a fixed {USUAL_RESIN_VOLUMES:g} resin volumes without measuring (common practice, no source)"
    rows.append(("Against a usual practice", f"{usual}: {litres(account.usual_ml)}"))
    rows.append(("Saved against that", _saved_words(account.saved_ml, story.stop)))
    return Facts("Water", tuple(rows))


def _planned_words(settings: Mapping[str, object]) -> str:
    """The plan's figures for this rinse, "" without a plan."""
    portions, water_ml = settings.get("planned_portions"), settings.get("planned_ml")
    if not isinstance(portions, int) or not isinstance(water_ml, int | float):
        return ""
    low, high = settings.get("planned_portions_low", "?"), settings.get("planned_portions_high")
    span = f"{low} or more" if high is None else f"{low} to {high}"
    return f"{portions} ({span}) portions, {litres(water_ml)} for a usual bed"


def _saved_words(saved_ml: float, stop: RinseState | None) -> str:
    if stop is None:
        return "not to be said: the endpoint was not reached"
    if saved_ml >= 0.0:
        return litres(saved_ml)
    return f"none: {litres(-saved_ml)} more than that practice, which would have stopped short of this endpoint"


def _given_up(story: Story) -> Block:
    left, setup = story.left, story.setup
    title = "Capacity given up"
    if left is None:
        return Words(title, ("Not known: there was no trusted reading in range to tell what is left in the bed.",))
    opposite = opposite_words(setup.residue.value)
    rows = [
        ("Residue left in the bed", _left_words(left)),
        (f"It uses up, of {opposite}", f"{_span(left.opposite_ml, left)} mL"),
        ("Feed water not treated for it", _feed_words(story, left)),
        ("One more portion pays while the filtrate is above", _even_words(left)),
    ]
    return Facts(title, tuple(rows))


def _left_words(left: Left) -> str:
    """Milliequivalents; near the floor only "less than"."""
    span = _span(left.eq.times(1000.0), left)
    if left.vague:
        return f"{span} meq (95 %; the filtrate is too near its floor to say more)"
    return f"{number(1000.0 * left.likely_eq, 2)} meq ({span}, 5 to 95 %)"


def _span(range_: Range, left: Left) -> str:
    return f"less than {number(range_.high, 2)}" if left.vague else between(range_.low, range_.high, 2)


def _feed_words(story: Story, left: Left) -> str:
    if left.feed_l is None or story.setup.feed_us_cm is None:
        return "not known: the feed water's reading (--feed) is missing or no load"
    return f"{_span(left.feed_l, left)} L of feed at {us_cm(story.setup.feed_us_cm)}"


def _even_words(left: Left) -> str:
    if left.even_us_cm is None:
        return "not known without the feed water's reading"
    return f"{us_cm(left.even_us_cm)} (below it, it costs more deionized water than it rescues)"


def _steps(story: Story) -> Grid:
    flow = story.setup.is_flow
    head = (
        "no",
        "poured",
        "in all",
        "begun",
        "last reading",
        "filtrate, µS/cm (5-95 %)",
        "still to pour, mL",
        "verdict",
    )
    rows = [
        (
            str(count), litres(step.poured_ml), litres(step.state.rinse_ml), clock(step.from_s), step.shown or "none",
            estimate(step.state.filtrate), still(step.state.remaining), step.state.verdict.value,
        )
        for count, step in enumerate(story.steps, start=1)
    ]  # fmt: skip
    note = "Each line as it stood at the step's end; the forecast then, not afterwards."
    return Grid("The flow in steps" if flow else "Portions", head, *_cut(rows, note))


def _cut(rows: Sequence[tuple[str, ...]], note: str) -> tuple[tuple[tuple[str, ...], ...], str]:
    """At most MOST_ROWS, and says so."""
    if len(rows) <= MOST_ROWS:
        return tuple(rows), note
    return tuple(rows[:MOST_ROWS]), f"The first {MOST_ROWS} of {len(rows)}; the recording has all. {note}".strip()


def _faults(story: Story) -> Block:
    title = "Readings not believed, and faults of the meter"
    reported = [event for event in story.events if event.words.startswith("fault:")]
    lines = [(f.from_s, _fault_cells(f, flow=story.setup.is_flow)) for f in story.faults]
    lines += [
        (e.time_s, (clock(e.time_s), litres(e.rinse_ml), "", e.words.removeprefix("fault:").strip())) for e in reported
    ]
    if not lines:
        return Words(title, ("None.",))
    rows = [cells for _, cells in sorted(lines)]
    return Grid(title, ("time", "rinse water", "readings", "what"), *_cut(rows, ""), wide=(3,))


def _fault_cells(fault: Fault, *, flow: bool) -> tuple[str, ...]:
    lasted = f", for {clock(fault.to_s - fault.from_s)}" if fault.readings > 1 else ""
    words = cause_words(fault.cause, flow=flow) + lasted
    return clock(fault.from_s), litres(fault.rinse_ml), str(fault.readings), words


def _events(story: Story) -> Block:
    shown = [event for event in story.events if not event.words.startswith("fault:")]
    if not shown:
        return Words("Events and notes", ("None.",))
    rows = [(clock(e.time_s), litres(e.rinse_ml), event_words(e.words)) for e in shown]
    return Grid("Events and notes", ("time", "rinse water", "what"), *_cut(rows, ""), wide=(2,))


def _settings(story: Story, origin: Origin) -> Facts:
    given = [
        (SETTING_WORDS.get(name, name), _micro(str(value)))
        for name, value in origin.settings.items()
        if name not in _TOLD_ELSEWHERE
    ]
    factor = ("TDS factor in use, ppm per µS/cm", f"{story.setup.tds_factor:g}")
    return Facts("Settings", (*given, factor, ("Rows of the record", str(story.rows))))
