"""One live rinse as a state machine: what comes in is stored, observed, shown. No threads, no clock."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.struck import MOST_ROWS
from rinsewatch.rinse.gate import Cause
from rinsewatch.rinse.row import Row
from rinsewatch.rinse.setup import RinseSetup
from rinsewatch.rinse.state import RinseState, Verdict
from rinsewatch.rinse.stopmark import StopMark
from rinsewatch.session.commands import BreakOff, Command, Finish, Pause, Resume
from rinsewatch.session.convert import Shown, reading_row, shown_from_reading, shown_from_row
from rinsewatch.session.desk import Desk
from rinsewatch.session.history import History
from rinsewatch.session.linkwatch import LinkWatch
from rinsewatch.session.pouring import Pouring
from rinsewatch.session.recorder import Recorder
from rinsewatch.session.retract import Observer, Retracting
from rinsewatch.session.snapshot import SessionSnapshot
from rinsewatch.session.stamp import Stamp
from rinsewatch.session.trouble import FrameTrouble
from rinsewatch.session.waterwatch import WaterWatch, most_of
from rinsewatch_drivers.reading import LinkEvent, Reading

BAND_POINTS = 40
LONGEST_COUNTED_GAP_S = 600.0  # a flow may have run on over a restart, but hardly over a night


class End(StrEnum):
    """Ends the session makes by itself; a person's own words are others."""

    REACHED = "endpoint reached"
    METER_LOST = "meter lost"


@dataclass(frozen=True, slots=True)
class Observed:
    """A row the core has seen: its number among the rinse's rows (from 1), and the answer."""

    number: int
    row: Row
    state: RinseState


Item = Reading | LinkEvent | Command


@dataclass(frozen=True, slots=True)
class Policy:
    """When the session ends by itself: at the verdict stop, or after ``give_up_s`` without a meter."""

    until_endpoint: bool = False
    give_up_s: float = 600.0


class LiveRinse:
    """Takes items in order of arrival; everything is stored before it is observed and shown.

    ``by_hand``: all readings are typed, so that the last one can be taken back (with a Retracting observer).
    """

    def __init__(
        self,
        setup: RinseSetup,
        observer: Observer,
        recorder: Recorder,
        pouring: Pouring,
        policy: Policy,
        *,
        by_hand: bool = False,
    ) -> None:
        self.setup, self.policy, self._by_hand = setup, policy, by_hand
        self._observer, self._recorder, self._pouring = observer, recorder, pouring
        self._desk = Desk(pouring, setup, by_hand=by_hand)
        self._link, self._frames = LinkWatch(), FrameTrouble()
        known, step = setup.rinse_water_us_cm, setup.rinse_water_step_us_cm
        self._water = WaterWatch(known is not None, most_of(known, step), setup.tds_factor)
        self._history = History(setup.tds_factor, setup.top_us_cm)
        self._stop = StopMark()
        self._state: RinseState | None = None
        self._reading_us_cm: float | None = None
        self._rows = self._made = 0  # rows observed, and rows made for it
        self._faults = 0
        self._time_s = 0.0
        self._shown_s: float | None = None
        self._ended: str | None = None
        self._broken_off = False

    def restore(self, rows: Sequence[Row], typed: Collection[int] = ()) -> None:
        """Observe the stored rows of a rinse that is continued; nothing is stored again.

        ``typed``: the numbers (from 1) of the rows whose readings were typed by hand.
        """
        for number, row in enumerate(rows, start=1):
            self._watch(row)
            self._time_s = max(self._time_s, row.time_s)
            self._desk.restore(row, number if self._by_hand and number in typed else None)
        self._recorder.stored = self._made = len(rows)

    def go_on(self, stamp: Stamp) -> list[Observed]:
        """The first rows after a gap (cut off, or the computer slept): how long, and whether the flow counts."""
        gap_s, before = stamp.time_s - self._time_s, replace(stamp, time_s=self._time_s)
        entries: list[Entry] = []
        shut = self._pouring.is_flow and not self._desk.paused and gap_s > LONGEST_COUNTED_GAP_S
        if shut:
            entries += self._command(Pause(), before)
        stamp = self._ordered(stamp)
        if shut:
            entries += self._command(Resume(), stamp)
        flow = ", its flow not counted" if shut else ""
        entries += self._events([f"note: continued after {gap_s:.0f} s without a record{flow}"], stamp)
        return self._record(entries)

    @property
    def ended(self) -> str | None:
        """Why the rinse ended, None while it goes on."""
        return self._ended

    @property
    def unfinished(self) -> bool:
        """True where the record stays open, to be continued: broken off, or the meter was lost."""
        return self._broken_off or self._ended in (None, End.METER_LOST.value)

    @property
    def state(self) -> RinseState | None:
        """The core's last answer."""
        return self._state

    @property
    def unsaved_rows(self) -> list[Row]:
        """Rows that could not be stored (yet)."""
        return self._recorder.waiting_rows

    def clock_moved(self, moved_s: float, stamp: Stamp) -> list[Observed]:
        """The date was changed; rinse time is not counted by it, but the record should know."""
        return self._record(self._events([f"note: clock moved by {moved_s:+.0f} s"], self._ordered(stamp)))

    def take(self, items: Sequence[tuple[Item, Stamp]]) -> list[Observed]:
        """Take in what has arrived, in one transaction; returns the rows with the core's answers."""
        entries: list[Entry] = []
        for item, stamp in items:
            if self._ended is None:
                entries += self._entries(item, self._ordered(stamp))
        return self._record(entries)

    def tick(self, stamp: Stamp) -> list[Observed]:
        """Time passes without anything arriving: late link events, a second try at storing, giving up."""
        stamp = self._ordered(stamp)
        if self._ended is None:
            due = [*self._link.tick(stamp.time_s), *self._water.due()]
            observed = self._record(self._events(due, stamp))
            self._maybe_give_up(stamp)
            return observed
        self._recorder.retry()
        return []

    def close(self, stamp: Stamp) -> list[Observed]:
        """Nothing more comes. The rinse ends here, unless it is ``unfinished``: then it can be continued later."""
        observed = self._record(self._events(self._frames.end(), self._ordered(stamp)))
        verdict = self._state.verdict.value if self._state else ""
        self._recorder.close(None if self.unfinished else self._ended, verdict, stamp.utc_text)
        return observed

    def snapshot(self, *, with_band: bool = True) -> SessionSnapshot:
        """The present moment, frozen."""
        band = self._observer.forecast_band(BAND_POINTS) if with_band and self._state else []
        recorder, desk, state = self._recorder, self._desk, self._state
        if state is not None:  # a portion's row has no reading; the screen goes on showing the last one
            state = replace(state, reading_us_cm=self._reading_us_cm)
        return SessionSnapshot(
            setup=self.setup,
            state=state,
            history=self._history.view(),
            band=tuple(band),
            time_s=self._time_s,
            rinse_ml=self._pouring.rinse_ml(self._time_s),
            portions=self._pouring.count,
            portion_ml=desk.usual_ml,
            paused=desk.paused,
            last_shown=desk.last_text,
            last_shown_s=self._shown_s,
            link_words=self._link.words(self._time_s),
            stored=recorder.stored,
            waiting=recorder.waiting,
            dropped=recorder.dropped,
            trouble=recorder.trouble,
            faults=self._faults,
            message=desk.message,
            said=desk.said,
            question=desk.question,
            endpoint_ml=self._stop.endpoint_ml,
            ended=self._ended,
            unfinished=self.unfinished,
        )

    # ---- what arrives ---------------------------------------------------------------------------

    def _ordered(self, stamp: Stamp) -> Stamp:
        """Times of the record never run backwards, whatever order the threads delivered in."""
        self._time_s = max(self._time_s, stamp.time_s)
        return replace(stamp, time_s=self._time_s)

    def _entries(self, item: Item, stamp: Stamp) -> list[Entry]:
        if isinstance(item, Reading):
            return self._reading(item, stamp)
        if isinstance(item, LinkEvent):
            events = self._link.change(item.state, item.detail, stamp.time_s)
            self._desk.message = item.detail or self._desk.message
            return self._events(events, stamp)
        if isinstance(item, Finish | BreakOff):
            self._ended, self._broken_off = item.reason, isinstance(item, BreakOff)
            return []
        return self._command(item, stamp)

    def _reading(self, reading: Reading, stamp: Stamp) -> list[Entry]:
        shown = shown_from_reading(reading)
        if shown is None:  # garbage does not bring a meter back
            events = self._link.noise(stamp.time_s) + self._frames.bad(reading.cause, stamp.time_s)
            return [self._raw(reading, stamp), *self._events(events, stamp)]
        events = self._link.heard(stamp.time_s) + self._frames.good(stamp.time_s)
        entry = self._shown(shown, stamp, reading.raw, reading.quality.value, reading.cause)
        return [*self._events(events, stamp), entry]

    def _command(self, command: Command, stamp: Stamp) -> list[Entry]:
        result = self._desk.handle(command, stamp)
        if result.shown is not None:
            entry = self._shown(result.shown, stamp, result.raw, "good", "typed")
            if self._by_hand and self._made < MOST_ROWS:
                self._desk.typed(self._made)
            return [entry]
        return self._events(result.events, stamp)

    # ---- entries --------------------------------------------------------------------------------

    def _shown(self, shown: Shown, stamp: Stamp, raw: bytes, quality: str, cause: str) -> Entry:
        self._made += 1
        self._desk.last, self._shown_s = shown, stamp.time_s
        row = reading_row(shown, stamp.time_s, self._pouring.rinse_ml(stamp.time_s))
        return stamp.entry(row, raw=raw, quality=quality, cause=cause)

    def _raw(self, reading: Reading, stamp: Stamp) -> Entry:
        row = Row(stamp.time_s, self._pouring.rinse_ml(stamp.time_s))
        return stamp.entry(row, raw=reading.raw, quality=reading.quality.value, cause=reading.cause, observed=False)

    def _events(self, events: Sequence[str], stamp: Stamp) -> list[Entry]:
        rinse_ml = self._pouring.rinse_ml(stamp.time_s)
        self._faults += sum(event.startswith("fault:") for event in events)
        self._made += len(events)
        for event in events:
            self._desk.tell(event)
        return [stamp.entry(Row(stamp.time_s, rinse_ml, event=event)) for event in events]

    # ---- storing, observing, ending -------------------------------------------------------------

    def _record(self, entries: Sequence[Entry]) -> list[Observed]:
        if entries:
            self._recorder.store(entries)
        elif self._recorder.waiting:
            self._recorder.retry()
        observed = [self._watch(entry.row) for entry in entries if entry.observed]
        stop = any(seen.state.verdict is Verdict.STOP for seen in observed)
        if stop and self.policy.until_endpoint and self._ended is None:
            self._ended = End.REACHED.value
        return observed

    def _watch(self, row: Row) -> Observed:
        self._state = self._observer.observe(row)
        self._notice_fall(row, self._state)
        self._water.see(row.event, self._state)
        self._rows += 1
        again = self._observer.again if isinstance(self._observer, Retracting) else None
        if again is not None:
            self._look_again(again)
        else:
            self._stop.add(self._state)
            self._remember(row, self._state)
        return Observed(self._rows, row, self._state)

    def _notice_fall(self, row: Row, state: RinseState) -> None:
        """Since when readings have been too low, in a rinse by portions: one may have been poured and not told."""
        if not row.has_reading and not row.event:
            return
        low = state.cause == Cause.LOW and not state.is_flow and self._rows < MOST_ROWS
        self._desk.fell_s = (row.time_s if self._desk.fell_s is None else self._desk.fell_s) if low else None

    def _remember(self, row: Row, state: RinseState) -> None:
        """A reading, for the screen: the last one, and a point of the chart."""
        if row.has_reading:
            self._desk.last, self._shown_s = shown_from_row(row), row.time_s
            self._reading_us_cm = state.reading_us_cm
            self._history.add(self._desk.last, state)

    def _look_again(self, rows: Sequence[tuple[Row, RinseState]]) -> None:
        """A reading was struck: what the screen remembers is only what is left."""
        self._desk.last = self._shown_s = self._reading_us_cm = None
        self._history = History(self.setup.tds_factor, self.setup.top_us_cm)
        self._stop = StopMark()
        for row, state in rows:
            self._stop.add(state)
            self._remember(row, state)

    def _maybe_give_up(self, stamp: Stamp) -> None:
        away_s = self._link.away_s(stamp.time_s, count_silence=self.policy.until_endpoint)
        if away_s >= self.policy.give_up_s and not self._desk.paused:
            self._ended = End.METER_LOST.value
