"""The session's pure parts: pouring, conversion, trouble, link, recorder, history, time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rinsewatch.errors import LogbookError
from rinsewatch.logbook.entry import Entry
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.state import Quality as Judged
from rinsewatch.rinse.state import RinseState, Verdict
from rinsewatch.session.convert import Shown, shown_from_reading
from rinsewatch.session.history import LIMIT, History
from rinsewatch.session.linkwatch import LinkWatch
from rinsewatch.session.pouring import (
    CannotPour,
    Flow,
    Portions,
    begin_pouring,
    noted_portion_ml,
    portion_note,
    rebuild_pouring,
)
from rinsewatch.session.recorder import Recorder
from rinsewatch.session.timebase import TimeBase
from rinsewatch.session.trouble import CLEAN_S, ONLY_BAD_S, FrameTrouble
from rinsewatch_drivers.reading import Kind, LinkState, Quality, Reading

NOW = datetime(2026, 1, 31, 12, tzinfo=UTC)


def reading(
    value: float | None,
    unit: str,
    decimals: int | None,
    kind: Kind = Kind.VALUE,
    quality: Quality = Quality.GOOD,
) -> Reading:
    return Reading(b"x", kind, value, decimals, unit, None, quality, "", 1, 0.0, NOW)


class TestTime:
    def test_speed_and_offset_to_the_millisecond(self) -> None:
        base = TimeBase(start_monotonic_s=100.0, offset_s=5.0, speed=24.0)
        assert base.rinse_s(100.0) == 5.0
        assert base.rinse_s(100.12345) == 7.963

    def test_never_negative(self) -> None:
        assert TimeBase(100.0).rinse_s(99.0) == 0.0


class TestPortions:
    def test_counts_and_undoes_like_a_stack(self) -> None:
        portions = Portions(250.0)
        assert portions.pour(250.0, 0.0) == 250.0
        assert portions.pour(300.5, 9.0) == 550.5
        assert portions.undo() == 250.0
        assert (portions.count, portions.rinse_ml(99.0)) == (1, 250.0)

    def test_nothing_to_undo(self) -> None:
        with pytest.raises(CannotPour, match="no portion to undo"):
            Portions(250.0).undo()

    @pytest.mark.parametrize("volume_ml", [0.0, -1.0, float("nan"), float("inf")])
    def test_refuses_what_is_no_volume(self, volume_ml: float) -> None:
        with pytest.raises(CannotPour):
            Portions(250.0).pour(volume_ml, 0.0)

    def test_a_bouncing_key_is_doubted_a_typed_line_is_not(self) -> None:
        portions = Portions(250.0)
        portions.pour(250.0, 10.0)
        assert "within 2 s" in portions.doubt(250.0, 11.9, keyed=True)
        assert portions.doubt(250.0, 12.0, keyed=True) == ""
        assert portions.doubt(250.0, 10.1, keyed=False) == ""

    @pytest.mark.parametrize(("volume_ml", "doubted"), [(1250.0, False), (1251.0, True), (50.0, False), (49.0, True)])
    def test_a_decimal_slip_is_doubted(self, volume_ml: float, doubted: bool) -> None:
        assert bool(Portions(250.0).doubt(volume_ml, 0.0, keyed=False)) is doubted

    @given(st.lists(st.one_of(st.floats(0.1, 5000.0), st.just("undo")), max_size=40))
    def test_the_rows_rebuild_the_account(self, actions: list[float | str]) -> None:
        portions, rows = Portions(250.0), []
        for time_s, action in enumerate(actions):
            if action == "undo":
                if portions.count:
                    rows.append(Row(float(time_s), portions.undo(), event="undo"))
            else:
                rows.append(Row(float(time_s), portions.pour(float(action), float(time_s)), event="portion"))
        again = rebuild_pouring(Portions(250.0), rows)
        assert again.count == portions.count
        assert again.rinse_ml(0.0) == pytest.approx(portions.total_ml, abs=0.01)

    def test_a_changed_volume_is_rebuilt(self) -> None:
        again = rebuild_pouring(begin_pouring(250.0, None), [Row(0.0, 0.0, event=portion_note(400.0))])
        assert isinstance(again, Portions)
        assert again.usual_ml == 400.0

    @pytest.mark.parametrize("event", ["note: portion was spilt", "note: portion = many mL", "portion"])
    def test_a_persons_words_are_no_portion_note(self, event: str) -> None:
        assert noted_portion_ml(event) is None


class TestFlow:
    def test_runs_with_time_minus_pauses(self) -> None:
        flow = Flow(120.0)
        assert flow.rinse_ml(30.0) == 60.0
        flow.pause(30.0)
        assert flow.rinse_ml(1000.0) == 60.0
        flow.resume(1000.0)
        assert flow.rinse_ml(1030.0) == 120.0

    def test_is_rebuilt_from_pauses(self) -> None:
        rows = [Row(30.0, 60.0, event="pause"), Row(1000.0, 60.0, event="resume")]
        assert rebuild_pouring(begin_pouring(None, 120.0), rows).rinse_ml(1030.0) == 120.0

    def test_has_no_portions(self) -> None:
        with pytest.raises(CannotPour, match="continuously"):
            Flow(120.0).pour(250.0, 0.0)


class TestConversion:
    @pytest.mark.parametrize(
        ("value", "unit", "decimals", "expected"),
        [
            (412.3, "uS/cm", 1, Shown(Mark.VALUE, 412.3, "uS/cm", 1)),
            (1.41, "mS/cm", 2, Shown(Mark.VALUE, 1410.0, "uS/cm", -1)),
            (1.413, "mS/cm", 3, Shown(Mark.VALUE, 1413.0, "uS/cm", 0)),
            (12.8812, "mS/cm", 4, Shown(Mark.VALUE, 12881.2, "uS/cm", 1)),
            (1.2, "ppt", 1, Shown(Mark.VALUE, 1200.0, "ppm", -2)),
            (7.0, "ppm", None, Shown(Mark.VALUE, 7.0, "ppm", None)),
        ],
    )
    def test_base_unit_with_the_point_moved(
        self, value: float, unit: str, decimals: int | None, expected: Shown
    ) -> None:
        assert shown_from_reading(reading(value, unit, decimals)) == expected

    def test_over_keeps_no_number(self) -> None:
        shown = shown_from_reading(reading(None, "ppm", None, Kind.OVER, Quality.MISSING))
        assert shown == Shown(Mark.OVER, None, "ppm", None)

    @pytest.mark.parametrize(
        "bad",
        [
            reading(None, "", None, Kind.FAULT, Quality.BAD),
            reading(412.0, "uS/cm", 0, Kind.VALUE, Quality.BAD),
            reading(412.0, "", 0),
        ],
    )
    def test_what_must_not_count_does_not(self, bad: Reading) -> None:
        assert shown_from_reading(bad) is None


class TestTrouble:
    def test_one_event_however_many_bad_lines(self) -> None:
        trouble = FrameTrouble()
        events: list[str] = []
        for step in range(200):
            bad = step % 7 == 3
            events += trouble.bad("syntax", step * 0.2) if bad else trouble.good(step * 0.2)
        assert events == ["fault: a line does not fit the meter's profile"]
        assert trouble.total == len([step for step in range(200) if step % 7 == 3])

    def test_only_bad_lines_are_silence_for_the_core(self) -> None:
        trouble = FrameTrouble()
        trouble.good(0.0)
        events = [event for step in range(60) for event in trouble.bad("sensor-error", 1.0 + step * 0.2)]
        assert len(events) == 2
        assert events[1].startswith("fault: meter silent")
        assert trouble.level.name == "ONLY" and ONLY_BAD_S < 12

    def test_over_after_a_clean_spell_with_the_count(self) -> None:
        trouble = FrameTrouble()
        trouble.bad("syntax", 1.0)
        trouble.bad("overlong", 2.0)
        assert trouble.good(2.0 + CLEAN_S - 0.1) == []
        assert trouble.good(2.0 + CLEAN_S) == ["note: 2 frames were no readings in 1 s (overlong 1, syntax 1)"]

    def test_the_cut_line_at_opening_is_no_fault(self) -> None:
        assert FrameTrouble().bad("first-line", 0.0) == []


class TestLinkWatch:
    def test_a_meter_there_again_with_garbage_is_not_called_lost(self) -> None:
        """After a replug the wire's own word for garbage comes only ten seconds later."""
        watch = LinkWatch()
        watch.change(LinkState.OPEN, "", 0.0)
        watch.change(LinkState.LOST, "", 10.0)
        watch.noise(15.0)
        assert watch.words(16.0) == "there again, no line fits yet (6 s)"
        assert watch.away_s(16.0, count_silence=False) == 6.0, "no reading: it may still be given up"
        assert watch.heard(17.0) == ["note: meter back after 7.0 s"]
        watch.change(LinkState.LOST, "", 20.0)
        assert watch.words(24.0) == "lost 4 s ago"

    def test_lost_and_back_with_the_seconds(self) -> None:
        watch = LinkWatch()
        assert watch.change(LinkState.OPEN, "port open", 0.0) == ["note: port open"]
        assert watch.change(LinkState.LOST, "unplugged", 10.0) == ["fault: meter lost: unplugged"]
        assert watch.words(14.0) == "lost 4 s ago"
        assert watch.change(LinkState.BACK, "", 13.1) == ["note: meter back after 3.1 s"]
        assert watch.words(14.0) == "open"

    def test_a_flapping_cable_makes_at_most_one_event_a_second(self) -> None:
        watch = LinkWatch()
        events: list[str] = []
        for step in range(600):  # ten changes a second for a minute
            state = LinkState.LOST if step % 2 == 0 else LinkState.BACK
            events += watch.change(state, "", step * 0.1)
        assert 2 <= len(events) <= 61

    def test_the_last_state_is_told_in_the_end(self) -> None:
        watch = LinkWatch()
        watch.change(LinkState.OPEN, "open", 0.0)
        assert watch.change(LinkState.LOST, "", 0.5) == []
        assert watch.tick(1.0) == ["fault: meter lost"]

    def test_new_words_about_the_same_state_are_told_once(self) -> None:
        watch = LinkWatch()
        watch.change(LinkState.OPEN, "port open", 0.0)
        assert watch.change(LinkState.OPEN, "another program reads too", 5.0) == ["note: another program reads too"]
        assert watch.change(LinkState.GARBAGE, "no line fits", 10.0) == [
            "fault: meter silent: no line fits: no line fits"
        ]
        added = watch.change(LinkState.GARBAGE, "add --baud 2400", 40.0)
        assert added == ["fault: meter silent: no line fits: add --baud 2400"]
        assert watch.change(LinkState.GARBAGE, "add --baud 2400", 50.0) == watch.tick(60.0) == []
        assert watch.heard(70.0) == ["note: meter back after 60.0 s"]
        assert watch.change(LinkState.BACK, "meter back after 60.0 s", 72.0) == []

    def test_a_reading_means_it_is_back(self) -> None:
        watch = LinkWatch()
        watch.change(LinkState.SILENT, "", 0.0)
        assert watch.heard(4.0) == ["note: meter back after 4.0 s"]

    def test_away_counts_silence_only_where_asked(self) -> None:
        watch = LinkWatch()
        watch.change(LinkState.SILENT, "", 10.0)
        assert watch.away_s(40.0, count_silence=False) == 0.0
        assert watch.away_s(40.0, count_silence=True) == 30.0


class BrokenWriter:
    """A writer whose disk is full until ``works`` is set."""

    def __init__(self) -> None:
        self.works = False
        self.stored: list[Entry] = []

    def append_many(self, entries: Sequence[Entry]) -> list[int]:
        if not self.works:
            raise LogbookError("the disk is full")
        self.stored += entries
        return [0] * len(entries)

    def close_rinse(self, reason: str, verdict: str, *, utc: str) -> None:
        if not self.works:
            raise LogbookError("the disk is full")

    def close(self) -> None:
        pass


def entry(number: int) -> Entry:
    return Entry(row=Row(float(number), 0.0), utc="2026-01-31T12:00:00.000Z")


class TestRecorder:
    def test_waits_in_memory_and_writes_in_order_later(self) -> None:
        writer = BrokenWriter()
        recorder = Recorder(writer)
        assert not recorder.store([entry(1)])
        assert not recorder.store([entry(2)])
        assert (recorder.waiting, recorder.stored, recorder.trouble) == (2, 0, "the disk is full")
        writer.works = True
        assert recorder.store([entry(3)])
        assert [stored.row.time_s for stored in writer.stored] == [1.0, 2.0, 3.0]
        assert (recorder.waiting, recorder.stored, recorder.trouble) == (0, 3, "")

    def test_memory_is_bounded_and_losses_are_counted(self) -> None:
        recorder = Recorder(BrokenWriter(), limit=10)
        for number in range(25):
            recorder.store([entry(number)])
        assert (recorder.waiting, recorder.dropped) == (10, 15)

    def test_a_close_that_fails_says_so(self) -> None:
        recorder = Recorder(BrokenWriter())
        recorder.close("finished", "rinse", "2026-01-31T12:00:00.000Z")
        assert recorder.trouble == "the disk is full"


def state_at(rinse_ml: float, quality: Judged = Judged.GOOD) -> RinseState:
    return RinseState(
        time_s=0.0, rinse_ml=rinse_ml, reading_us_cm=None, filtrate=None, target_us_cm=None, floor_us_cm=None,
        remaining=None, portion_ml=None, pace_s=None, chance_reached=0.0, chance_unreachable=0.0,
        verdict=Verdict.RINSE, reason="", quality=quality, cause="", is_flow=False,
    )  # fmt: skip


class TestHistory:
    def test_bounded_with_both_ends(self) -> None:
        history = History(0.5)
        for number in range(10_000):
            history.add(Shown(Mark.VALUE, 100.0, "ppm", 0), state_at(float(number)))
        points = history.view()
        assert len(points) <= LIMIT
        assert points[0].rinse_ml == 0.0
        assert points[-1].rinse_ml == 9999.0
        assert points[0].us_cm == 200.0

    def test_over_range_is_drawn_at_the_top(self) -> None:
        history = History(0.5, top_us_cm=19_980.0)
        history.add(Shown(Mark.OVER), state_at(0.0))
        assert history.view()[0].us_cm == 19_980.0

    def test_distrusted_readings_are_marked(self) -> None:
        history = History(0.5)
        history.add(Shown(Mark.VALUE, 0.0, "ppm", 0), state_at(0.0, Judged.BAD))
        assert history.view()[0].kind == "bad"
