"""What happened in a rinse, gathered by running its rows through the core once more, as ``replay`` does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from rinsewatch.logbook.struck import struck_rows
from rinsewatch.quantities import reading_us_cm
from rinsewatch.report.price import Left, residue_left
from rinsewatch.report.steps import Step, Steps
from rinsewatch.report.thin import Point
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import RinseSetup
from rinsewatch.rinse.state import Quality, RinseState
from rinsewatch.rinse.stopmark import StopMark
from rinsewatch.session.retract import Retracting

SHARES = (0.25, 0.5, 0.75)  # of the rinse water, where the forecast is looked at
BAND_POINTS = 60
Band = tuple[tuple[float, float, float, float], ...]


@dataclass(frozen=True, slots=True)
class Moment:
    """The forecast as it stood. ``band``: (rinse mL, 5 %, median, 95 % of the filtrate, uS/cm)."""

    share: float
    state: RinseState
    band: Band


@dataclass(frozen=True, slots=True)
class Fault:
    """Readings in a row that were not believed, with the core's ``cause``; times s, volume mL at the beginning."""

    from_s: float
    to_s: float
    rinse_ml: float
    cause: str
    readings: int


@dataclass(frozen=True, slots=True)
class Event:
    """What the record holds besides readings and portions."""

    time_s: float
    rinse_ml: float
    words: str


@dataclass(slots=True)
class Readings:
    """For the curve, (rinse mL, uS/cm) each: believed, not believed, taken back; of over and under range volumes mL."""

    good: list[Point] = field(default_factory=list)
    bad: list[Point] = field(default_factory=list)
    struck: list[Point] = field(default_factory=list)
    over_ml: list[float] = field(default_factory=list)
    under_ml: list[float] = field(default_factory=list)

    def add(self, row: Row, state: RinseState, tds_factor: float) -> None:
        """One more reading and how it was judged."""
        if row.mark is Mark.VALUE and row.reading is not None:
            us_cm = reading_us_cm(row.reading, row.unit, tds_factor)
            (self.bad if state.quality is Quality.BAD else self.good).append((state.rinse_ml, us_cm))
        elif row.mark is Mark.OVER:
            self.over_ml.append(state.rinse_ml)
        elif row.mark is Mark.UNDER:
            self.under_ml.append(state.rinse_ml)


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """A whole rinse. ``stop``: the state at the last stop that was not taken back; ``left``: residue at the end."""

    setup: RinseSetup
    rows: int
    counted: int
    readings: Readings
    steps: tuple[Step, ...]
    moments: tuple[Moment, ...]
    faults: tuple[Fault, ...]
    events: tuple[Event, ...]
    stop: RinseState | None
    last: RinseState
    left: Left | None


def tell(rows: Sequence[Row], setup: RinseSetup) -> Story | None:
    """Run the rows through the core; None where there are none. ``setup`` is checked already."""
    if not rows:
        return None
    core = Retracting(lambda: Rinse(setup))
    volumes_ml = _volumes_ml(rows, setup)
    looks = _looks(volumes_ml)
    moments, events, gathering = [], [], _Gathering(setup, max(volumes_ml))
    for at, row in enumerate(rows):
        state = core.observe(row)
        if core.again is None:
            gathering.add(row, state)
        else:
            gathering = gathering.anew(core.again, rows)
        if row.event and row.event != "portion":
            events.append(Event(row.time_s, state.rinse_ml, row.event))
        if at in looks:
            moments.append(Moment(looks[at], state, tuple(core.forecast_band(BAND_POINTS))))
    return Story(
        setup=setup,
        rows=len(rows),
        counted=sum(row.has_reading for row in rows),
        readings=gathering.readings,
        steps=tuple(gathering.steps.all()),
        moments=tuple(moments),
        faults=tuple(gathering.faults),
        events=tuple(events),
        stop=gathering.mark.stop,
        last=state,
        left=residue_left(core.forecast_band(BAND_POINTS), state, setup),
    )


class _Gathering:
    """Everything that a strike makes anew."""

    def __init__(self, setup: RinseSetup, total_ml: float) -> None:
        self.setup, self.total_ml = setup, total_ml
        self.readings = Readings()
        self.faults: list[Fault] = []
        self.steps = Steps(setup, total_ml)
        self.mark = StopMark()
        self._cause: str | None = None

    def add(self, row: Row, state: RinseState) -> None:
        """One more row with the answer after it."""
        self.steps.add(row, state)
        self.mark.add(state)
        if row.has_reading:
            self.readings.add(row, state, self.setup.tds_factor)
            self._judge(row, state)

    def anew(self, again: Sequence[tuple[Row, RinseState]], rows: Sequence[Row]) -> _Gathering:
        """The record was corrected: all rows judged again; readings that were taken back are kept apart."""
        fresh = _Gathering(self.setup, self.total_ml)
        for row, state in again:
            fresh.add(row, state)
        upto = next(at for at, row in enumerate(rows) if row is again[-1][0])
        for row in struck_rows(rows[: upto + 1]):
            if row.reading is not None:
                us_cm = reading_us_cm(row.reading, row.unit, self.setup.tds_factor)
                fresh.readings.struck.append((row.rinse_ml or 0.0, us_cm))
        return fresh

    def _judge(self, row: Row, state: RinseState) -> None:
        """Readings that are not believed in a row, for the same cause, make one fault."""
        if state.quality is not Quality.BAD:
            self._cause = None
            return
        last = self.faults[-1] if self.faults and self._cause == state.cause else None
        self._cause = state.cause
        if last is None:
            self.faults.append(Fault(row.time_s, row.time_s, state.rinse_ml, state.cause, 1))
        else:
            self.faults[-1] = Fault(last.from_s, row.time_s, last.rinse_ml, last.cause, last.readings + 1)


def _volumes_ml(rows: Sequence[Row], setup: RinseSetup) -> list[float]:
    """Rinse water at each row; where a flow is not logged, by its time."""
    flow = (setup.flow_ml_min or 0.0) / 60.0
    return [flow * (row.time_s - rows[0].time_s) if row.rinse_ml is None else row.rinse_ml for row in rows]


def _looks(volumes_ml: Sequence[float]) -> dict[int, float]:
    """Rows after which the forecast is kept: the last before more than each share of the water had been poured."""
    total_ml = max(volumes_ml)
    found: dict[int, float] = {}
    for share in SHARES:
        beyond = next((at for at, volume_ml in enumerate(volumes_ml) if volume_ml > share * total_ml + 1e-6), 0)
        if beyond and volumes_ml[beyond - 1] > 0.0:
            found.setdefault(beyond - 1, share)
    return found
