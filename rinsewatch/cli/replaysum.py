"""What a replayed or watched rinse came to, in a few lines for people."""

from __future__ import annotations

from dataclasses import dataclass, field

from rinsewatch.logbook.struck import portion_change, struck_number
from rinsewatch.rinse.row import Row
from rinsewatch.rinse.state import Quality, RinseState
from rinsewatch.rinse.stopmark import StopMark


@dataclass(slots=True)
class Tally:
    """Counts over one rinse."""

    rows: int = 0
    readings: int = 0
    distrusted: int = 0
    struck: int = 0
    portions: int = 0
    faults: list[str] = field(default_factory=list)
    mark: StopMark = field(default_factory=StopMark)
    last: RinseState | None = None

    def add(self, row: Row, state: RinseState) -> None:
        """One more row with the answer after it."""
        self.rows += 1
        self.readings += row.has_reading
        self.distrusted += row.has_reading and state.quality is Quality.BAD
        self.struck += struck_number(row.event) is not None
        self.portions += portion_change(row.event)
        if row.event.startswith("fault:"):
            self.faults.append(row.event.removeprefix("fault:").strip())
        self.mark.add(state)
        self.last = state


def summary_lines(name: str, tally: Tally) -> list[str]:
    """The lines for people; ``name`` is the recording's."""
    last = tally.last
    if last is None:
        return [f"{name}: no rows"]
    struck = f" ({tally.struck} taken back)" if tally.struck else ""
    lines = [f"{name}: {tally.readings} readings{struck}, {tally.rows} rows, {last.rinse_ml:.0f} mL of rinse water"]
    lines.append(f"  verdict   {last.verdict.value}: {last.reason}")
    lines += _stop_lines(tally, last)
    if last.filtrate is not None:
        filtrate = last.filtrate
        lines.append(f"  filtrate  {filtrate.mid:.3g} uS/cm ({filtrate.low:.3g} to {filtrate.high:.3g})")
    if last.target_us_cm is not None:
        lines.append(f"  target    {last.target_us_cm:.3g} uS/cm")
    lines.append(f"  faults    {_fault_words(tally)}")
    return lines


def _stop_lines(tally: Tally, last: RinseState) -> list[str]:
    stop = tally.mark.stop
    if stop is None:
        return ["  stop      not reached in this recording", *_still(last)]
    saved_ml = last.rinse_ml - stop.rinse_ml
    minutes, seconds = divmod(round(stop.time_s), 60)
    lines = [f"  stop      after {stop.rinse_ml:.0f} mL, {minutes} min {seconds:02d} s"]
    if saved_ml > 0:
        share = 100 * saved_ml / last.rinse_ml
        lines.append(f"  saved     {saved_ml:.0f} mL of rinse water were poured after it ({share:.0f} %)")
    return lines


def _still(last: RinseState) -> list[str]:
    ahead = last.remaining
    if ahead is None:
        return []
    if ahead.mid_ml is None:
        return [f"  to go     at least {ahead.low_ml:.0f} mL; it may never get there"]
    high = "no end known" if ahead.high_ml is None else f"{ahead.high_ml:.0f}"
    return [f"  to go     {ahead.mid_ml:.0f} mL ({ahead.low_ml:.0f} to {high})"]


def _fault_words(tally: Tally) -> str:
    parts = [f"{tally.distrusted} readings not trusted"] if tally.distrusted else []
    kinds: dict[str, int] = {}
    for fault in tally.faults:
        kinds[fault] = kinds.get(fault, 0) + 1
    parts += [f"{fault} ({count}x)" if count > 1 else fault for fault, count in kinds.items()]
    return "; ".join(parts) if parts else "none"
