"""Sleep of the computer and changes of its date, in virtual time, through the session's own threads."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.setup import Endpoint, EndpointKind, Residue, RinseSetup
from rinsewatch.session.clockwatch import ClockWatch, Jump
from rinsewatch.session.commands import Note
from rinsewatch.session.live import LiveRinse, Policy
from rinsewatch.session.pouring import begin_pouring
from rinsewatch.session.recorder import Recorder
from rinsewatch.session.runner import Session
from rinsewatch.session.timebase import TimeBase


class TestClockWatch:
    def test_nothing_happens_most_of_the_time(self) -> None:
        watch = ClockWatch()
        assert [watch.look(t, 1e9 + t * 1.0001, 500.0 + t) for t in range(0, 1000, 4)] == [Jump()] * 250

    def test_a_sleep_moves_the_date_too_but_is_told_once(self) -> None:
        watch = ClockWatch()
        watch.look(10.0, 1010.0, 10.0)
        assert watch.look(10.5, 4610.5, 3610.5) == Jump(slept_s=3600.0)
        assert watch.look(11.0, 4611.0, 3611.0) == Jump()

    @pytest.mark.parametrize("moved_s", [3600.0, -3600.0, -86_400.0])
    def test_a_changed_date_is_no_sleep(self, moved_s: float) -> None:
        watch = ClockWatch()
        watch.look(10.0, 1010.0, 10.0)
        assert watch.look(11.0, 1011.0 + moved_s, 11.0) == Jump(moved_s=moved_s)
        assert watch.look(12.0, 1012.0 + moved_s, 12.0) == Jump()

    def test_who_has_not_looked_for_long_was_stopped(self) -> None:
        watch = ClockWatch()
        watch.look(10.0, 1010.0, 10.0)
        assert watch.look(14.5, 1014.5, 14.5) == Jump()
        assert watch.look(74.5, 1074.5, 74.5) == Jump(stood_s=60.0)
        assert watch.look(75.0, 1075.0, 75.0) == Jump()

    def test_without_a_boot_time_clock_sleep_looks_like_a_moved_date(self) -> None:
        watch = ClockWatch()
        watch.look(10.0, 1010.0, None)
        assert watch.look(11.0, 4611.0, None) == Jump(moved_s=3600.0)


class Clocks:
    """Three clocks that a test moves by hand."""

    def __init__(self) -> None:
        self.monotonic_s, self.asleep_s = 0.0, 0.0
        self.date = datetime(2026, 1, 31, 12, tzinfo=UTC)

    def monotonic(self) -> float:
        return self.monotonic_s

    def utc(self) -> datetime:
        return self.date + timedelta(seconds=self.monotonic_s + self.asleep_s)

    def wait(self, seconds: float) -> None:
        threading.Event().wait(0.001)

    def boottime(self) -> float:
        return self.monotonic_s + self.asleep_s


def until(there: Callable[[], bool]) -> None:
    """The recording thread is real: give it its moment."""
    deadline = time.monotonic() + 10.0
    while not there():
        assert time.monotonic() < deadline
        threading.Event().wait(0.005)


@pytest.mark.parametrize(("slept_s", "poured_ml"), [(120.0, 128.0), (28_800.0, 8.0)])
def test_rinse_time_goes_on_over_a_sleep(tmp_path: Path, slept_s: float, poured_ml: float) -> None:
    """A short sleep counts as flow, a night does not; the record says how long it was."""
    clocks = Clocks()
    endpoint = Endpoint(EndpointKind.VALUE, 12.0, "12 uS/cm")
    setup = RinseSetup(resin_ml=500.0, residue=Residue.NAOH, endpoint=endpoint, flow_ml_min=60.0)
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        writer = logbook.begin_rinse({}, "", "2026-01-31T12:00:00.000Z")
        live = LiveRinse(setup, Rinse(setup), Recorder(writer), begin_pouring(None, 60.0), Policy())
        session = Session(live, None, clocks, TimeBase(0.0), boottime=clocks.boottime)
        session.start()
        try:
            clocks.monotonic_s = 4.0
            session.send(Note("before"))
            until(lambda: session.latest.message == "before")
            clocks.asleep_s = slept_s
            until(lambda: "continued" in session.latest.message or session.latest.stored >= 2)
            clocks.monotonic_s = 8.0
            session.send(Note("after"))
            until(lambda: session.latest.message == "after")
            session.finish("finished")
        finally:
            session.abandon()
        rows = logbook.rows(writer.rinse_id)
    assert rows[-1].event == "note: after"
    assert rows[-1].time_s == 8.0 + slept_s
    assert rows[-1].rinse_ml == pytest.approx(poured_ml, abs=0.01)
    assert any(f"continued after {slept_s:.0f} s" in row.event for row in rows)
