"""Rinse water that changed in mid-rinse: told once where the readings level off, again only for newly read water."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from test_session_live import NOW, PORTIONS, Onlooker

from rinsewatch.logbook.settings import settings_from_setup
from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.state import Interval, RinseState, Verdict
from rinsewatch.session.live import LiveRinse, Policy
from rinsewatch.session.pouring import begin_pouring
from rinsewatch.session.recorder import Recorder
from rinsewatch.session.stamp import Stamp
from rinsewatch.session.waterwatch import WaterWatch, most_of

KNOWN = replace(PORTIONS, rinse_water_us_cm=2.0)


def at(floor_us_cm: float | None, verdict: Verdict = Verdict.RINSE, above: float = 1.5) -> RinseState:
    """A filtrate that many times the floor."""
    state = Onlooker().observe(Row(0.0, 250.0, Mark.VALUE, 500.0, "uS/cm", 0))
    mid = above * (floor_us_cm or 1.0)
    return replace(state, floor_us_cm=floor_us_cm, verdict=verdict, filtrate=Interval(0.9 * mid, mid, 1.1 * mid))


def told(watch: WaterWatch, *floors_us_cm: float | None) -> list[str]:
    """What is told when portions end at these floors; the first is what the told water foresees."""
    events: list[str] = []
    for floor_us_cm in floors_us_cm:
        watch.see("", at(floor_us_cm))
        watch.see("portion", at(floor_us_cm))
        for event in watch.due():
            watch.see(event, at(floor_us_cm))
            events.append(event)
    return events


def test_it_is_told_once_with_both_levels() -> None:
    (event,) = told(WaterWatch(True), 2.0, 2.4, 3.3, 3.5, 6.0, 6.2)
    assert event.startswith("note: readings level off at about 3.5 uS/cm, not 2:") and "=" not in event


def test_what_was_never_read_cannot_have_changed() -> None:
    watch = WaterWatch(False)
    assert told(watch, 2.0, 9.0) == []
    watch.see("note: rinse-water = 3.0 uS/cm", at(3.0))
    assert told(watch, 3.1, 5.0) == [] and len(told(watch, 5.2)) == 1


def test_water_read_anew_begins_anew_and_a_continued_rinse_does_not_tell_it_again() -> None:
    watch = WaterWatch(True)
    assert len(told(watch, 2.0, 5.0)) == 1
    watch.see("note: rinse-water = 5.0 uS/cm", at(5.0))
    assert told(watch, 5.0, 8.4, 4.0) == [] and len(told(watch, 8.6)) == 1
    continued = WaterWatch(True)
    continued.see("", at(2.0))
    continued.see("note: readings level off at about 5 uS/cm, not 2: ...", at(5.0))
    assert told(continued, 5.0, 6.0) == []


def test_a_belief_that_swings_while_a_portion_stands_is_not_told() -> None:
    watch = WaterWatch(True)
    for floor_us_cm in (2.0, 9.0, 2.2):
        watch.see("", at(floor_us_cm))
    watch.see("portion", at(9.0))
    assert watch.due() == []
    watch.see("", at(9.0, Verdict.STOP))
    assert len(watch.due()) == 1


def test_a_level_within_the_last_digit_of_the_reading_is_that_reading_still() -> None:
    """Told 0 ppm on a display of whole ppm the water may conduct up to 1 uS/cm."""
    assert told(WaterWatch(True, most_of(0.0, 2.0)), 0.56, 0.96, 1.09) == []
    assert len(told(WaterWatch(True, most_of(0.0, 2.0)), 0.56, 1.11)) == 1
    watch = WaterWatch(True, most_of(0.0, 2.0), 0.5)
    watch.see("note: rinse-water = 2 ppm", at(3.0))
    assert told(watch, 2.5, 5.4) == [] and len(told(watch, 5.6)) == 1, "4 uS/cm and half a digit of 2"


def test_a_belief_far_below_what_is_read_is_no_level() -> None:
    """Where the filtrate is at thousands nothing has levelled off, whatever is believed of the floor."""
    watch = WaterWatch(True)
    watch.see("", at(0.56, above=1e4))
    for above in (1e4, 100.0, 3.0):
        watch.see("", at(0.95, above=above))
        watch.see("portion", at(0.95, above=above))
        assert watch.due() == []
    watch.see("", at(0.98, above=1.5))
    watch.see("portion", at(0.98, above=1.5))
    assert len(watch.due()) == 1


class Lifted(Onlooker):
    def observe(self, row: Row) -> RinseState:
        floor_us_cm = 2.0 if row.time_s < 50.0 else 5.0
        return replace(super().observe(row), floor_us_cm=floor_us_cm, filtrate=Interval(5.0, 6.0, 7.0))


def test_a_live_rinse_writes_it_down(tmp_path: Path) -> None:
    with Logbook.open(tmp_path / "l.sqlite") as logbook:
        writer = logbook.begin_rinse(settings_from_setup(KNOWN), "", "2026-01-31T12:00:00.000Z")
        live = LiveRinse(KNOWN, Lifted(), Recorder(writer), begin_pouring(250.0, None), Policy())
        readings = [Row(time_s, 250.0, Mark.VALUE, 500.0, "uS/cm", 0) for time_s in (40.0, 60.0)]
        live.restore([Row(0.0, 250.0, event="portion"), *readings, Row(60.5, 500.0, event="portion")])
        for time_s in (61.0, 62.0, 63.0):
            live.tick(Stamp(time_s, NOW, time_s))
        assert [row.event[:26] for row in logbook.rows(1)] == ["note: readings level off a"]
        assert "has the rinse water changed" in live.snapshot().message


def test_the_core_takes_the_note_for_a_persons_own_words() -> None:
    rinse = Rinse(KNOWN)
    before = rinse.observe(Row(0.0, 0.0)).floor_us_cm
    note = "note: readings level off at about 5 uS/cm, not 2: has the rinse water changed? read it again"
    assert rinse.observe(Row(1.0, 0.0, event=note)).floor_us_cm == before
