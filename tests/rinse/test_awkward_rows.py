"""Rows as they come: out of order, cut, corrected, paused. Every state is checked for soundness by the bench."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rinsewatch.errors import SetupError
from rinsewatch.rinse.flow import FlowBelief
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint
from rinsewatch.rinse.state import Verdict

PORTION_ML, PACE_S = 250.0, 120.0


@pytest.fixture(scope="module")
def recording(bench: Any, make_bed: Any, display: Any) -> Any:
    """(true levels, rows) of 21 portions."""
    levels = bench.levels(make_bed(), 21, np.random.default_rng(12))
    return levels, bench.pour_rows(levels, display())


def _value(time_s: float, rinse_ml: float | None, shown: float, unit: str = "ppm", decimals: int = 0) -> Row:
    return Row(time_s, rinse_ml, Mark.VALUE, shown, unit, decimals)


def _until(rows: list[Row], portion: int) -> list[Row]:
    return [r for r in rows if r.rinse_ml is not None and r.rinse_ml <= portion * PORTION_ML]


@pytest.mark.parametrize(
    "wrong",
    [
        {"reading": math.nan},
        {"reading": math.inf},
        {"reading": None},
        {"unit": ""},
        {"unit": "mV"},
        {"time_s": math.nan},
        {"rinse_ml": math.inf},
    ],
)
def test_what_is_no_number_or_has_no_unit_changes_no_answer(bench: Any, recording: Any, wrong: dict[str, Any]) -> None:
    """Parsers let none of it through, but the core is called by others too: one such row in each portion."""
    _, rows = recording
    rows = _until(rows, 12)
    twice = [r for row in rows for r in ((row, replace(row, **wrong)) if row.has_reading else (row,))]
    plain, spoilt = bench.watch(bench.setup(), rows)[-1], bench.watch(bench.setup(), twice)[-1]
    assert spoilt.filtrate.mid == pytest.approx(plain.filtrate.mid, rel=0.02)
    assert spoilt.time_s == plain.time_s and spoilt.rinse_ml == plain.rinse_ml


def test_times_that_go_back_stand_still(bench: Any, recording: Any) -> None:
    """A clock set back, a row repeated, rows swapped: time never runs backwards and the forecast hardly cares."""
    _, rows = recording
    rows = _until(rows, 15)
    plain = bench.watch(bench.setup(), rows)[-1]
    awkward = []
    for i, row in enumerate(rows):
        awkward.append(replace(row, time_s=row.time_s - 30.0) if row.has_reading and i % 7 == 0 else row)
        if i % 5 == 0 and row.has_reading:
            awkward.append(row)
    states = bench.watch(bench.setup(), awkward)
    times = [s.time_s for s in states]
    assert times == sorted(times)
    assert states[-1].remaining.mid_ml == pytest.approx(plain.remaining.mid_ml, abs=0.5 * PORTION_ML)


def test_time_counts_from_the_first_row(bench: Any, recording: Any) -> None:
    """A recording that begins at 1e6 s (or before 0) gives the same answers as from 0."""
    _, rows = recording
    rows = _until(rows, 8)
    plain = bench.watch(bench.setup(), rows)[-1]
    for shift in (1e6, -500.0):
        moved = bench.watch(bench.setup(), bench.later(rows, shift))[-1]
        assert moved.remaining.mid_ml == pytest.approx(plain.remaining.mid_ml, rel=1e-3)
        assert moved.verdict is plain.verdict


def test_undo_restores_the_forecast(bench: Any, recording: Any) -> None:
    """A portion entered by mistake and taken back: volume as before, total forecast within half a portion."""
    _, rows = recording
    rows = _until(rows, 15)
    rinse = bench.begin(bench.setup())
    for row in rows:
        before = rinse.observe(row)
    time_s, volume = before.time_s, before.rinse_ml
    wrong = rinse.observe(Row(time_s + 5.0, volume + PORTION_ML, event="portion"))
    assert wrong.rinse_ml == volume + PORTION_ML
    after = rinse.observe(Row(time_s + 8.0, volume, event="undo"))
    again = rinse.observe(replace(rows[-1], time_s=time_s + 10.0))
    assert after.rinse_ml == again.rinse_ml == volume
    assert again.remaining.mid_ml == pytest.approx(before.remaining.mid_ml, abs=0.5 * PORTION_ML)
    assert again.verdict is before.verdict


def test_undo_without_a_portion_does_nothing(bench: Any) -> None:
    """Nothing poured, nothing to take back; neither below zero."""
    rinse = bench.begin(bench.setup())
    assert rinse.observe(Row(1.0, 0.0, event="undo")).rinse_ml == 0.0
    assert rinse.observe(Row(2.0, -250.0, event="undo")).rinse_ml >= 0.0


def test_corrected_volume_is_as_if_poured_so(bench: Any, recording: Any) -> None:
    """A portion first booked as 500 mL, then corrected to 250: within half a portion of the right recording."""
    _, rows = recording
    rows = _until(rows, 14)
    plain = bench.watch(bench.setup(), rows)[-1]
    at = next(i for i, r in enumerate(rows) if r.rinse_ml == 10 * PORTION_ML)
    slipped = [replace(rows[at], rinse_ml=11 * PORTION_ML), replace(rows[at], event="note: slip")]
    slip = [*rows[:at], *slipped, *rows[at + 1 :]]
    fixed = bench.watch(bench.setup(), slip)[-1]
    assert fixed.rinse_ml == plain.rinse_ml
    assert fixed.remaining.mid_ml == pytest.approx(plain.remaining.mid_ml, abs=0.5 * PORTION_ML)


def test_portion_size_note_changes_the_portions_not_the_belief(bench: Any, recording: Any) -> None:
    """From now on 125 mL: more portions, less water in all (small portions save water)."""
    _, rows = recording
    rinse = bench.begin(bench.setup())
    for row in _until(rows, 12):
        before = rinse.observe(row)
    after = rinse.observe(Row(before.time_s + 1.0, before.rinse_ml, event="note: portion = 125 mL"))
    assert after.portion_ml == 125.0 and after.filtrate == before.filtrate
    assert after.remaining_portions > before.remaining_portions
    assert after.remaining.mid_ml < before.remaining.mid_ml + 1.0


def test_feed_note_sets_the_target(bench: Any, recording: Any) -> None:
    """The endpoint ``feed`` follows the feed's reading, in its own unit, on this meter's scale."""
    _, rows = recording
    rinse = bench.begin(bench.setup(endpoint=Endpoint.parse("feed", 0.5), feed_us_cm=400.0))
    for row in _until(rows, 10):
        before = rinse.observe(row)
    after = rinse.observe(Row(before.time_s, before.rinse_ml, event="note: feed = 9 ppm"))
    assert before.target_us_cm == 400.0 and after.target_us_cm == pytest.approx(18.0)
    assert after.remaining.mid_ml > before.remaining.mid_ml + PORTION_ML


def test_rinse_water_note_moves_the_floor(bench: Any, recording: Any) -> None:
    """A rinse water of 25 uS/cm puts a target of 12 out of reach; measured pure again it is in reach."""
    _, rows = recording
    rinse = bench.begin(bench.setup())
    for row in _until(rows, 10):
        before = rinse.observe(row)
    dirty = rinse.observe(Row(before.time_s, before.rinse_ml, event="note: rinse-water = 25.0 uS/cm"))
    assert dirty.floor_us_cm > 20.0 and dirty.chance_unreachable > 0.9 and dirty.remaining.high_ml is None
    clean = rinse.observe(Row(before.time_s, before.rinse_ml, event="note: rinse-water = 1.2 uS/cm"))
    assert clean.floor_us_cm < 3.0 and clean.chance_unreachable < 0.2


@pytest.mark.parametrize(
    "event",
    ["note: portion = a cup", "note: feed = 9", "note: tea = 2 ppm", "note: =", "note:", "note: portion = -3 mL",
     "nonsense",
     "fault: garbage line", "note: rinse-water = 1,2 uS", "pause", "pause", "resume", "note: feed = nan ppm"],
)  # fmt: skip
def test_words_of_a_person_change_nothing(bench: Any, recording: Any, event: str) -> None:
    """Notes that mean nothing to the core, or lack a unit, are a person's own."""
    _, rows = recording
    rinse = bench.begin(bench.setup())
    for row in _until(rows, 7):
        before = rinse.observe(row)
    after = rinse.observe(Row(before.time_s, before.rinse_ml, event=event))
    assert replace(after, reading_us_cm=None) == replace(before, reading_us_cm=None)


def test_confirmed_probe_is_believed(bench: Any, recording: Any) -> None:
    """Portions poured that no one logged: low readings are held, the person's word makes them the filtrate."""
    levels, rows = recording
    rinse = bench.begin(bench.setup())
    for row in _until(rows, 10):
        state = rinse.observe(row)
    low, volume = round(levels[15] / 2.0), state.rinse_ml + PORTION_ML
    state = rinse.observe(Row(state.time_s + 10.0, volume, event="portion"))
    for _ in range(20):
        state = rinse.observe(_value(state.time_s + 5.0, volume, low))
    assert state.verdict is Verdict.CHECK
    rinse.observe(Row(state.time_s, volume, event="note: probe confirmed"))
    for _ in range(10):
        state = rinse.observe(_value(state.time_s + 5.0, volume, low))
        assert state.verdict is Verdict.RINSE and state.reading_us_cm == 2.0 * low
    assert state.filtrate.mid == pytest.approx(2.0 * low, rel=0.15)
    state = rinse.observe(Row(state.time_s + 30.0, volume + PORTION_ML, event="portion"))
    for _ in range(10):
        state = rinse.observe(_value(state.time_s + 5.0, volume + PORTION_ML, round(0.65 * low)))
        assert state.verdict is Verdict.RINSE and state.reading_us_cm is not None


def test_pause_over_night_expects_the_next_portion_higher(bench: Any, make_bed: Any, display: Any) -> None:
    """While the resin stands the slow liquid leaks: after twelve hours the next portion is expected to read about
    twice as much as after two minutes (in truth 2.4 times in this bed). Readings up there are then the filtrate."""
    levels = bench.levels(make_bed(slow_ml=30.0, leak_s=1e-3), 14, np.random.default_rng(13))
    rows = bench.pour_rows(levels, display(unit="uS/cm", decimals=1))
    at, volume = rows[-1].time_s, rows[-1].rinse_ml
    expected = []
    for gap_s in (PACE_S, 12 * 3600.0):
        rinse = bench.begin(bench.setup())
        for row in rows:
            rinse.observe(row)
        rinse.observe(Row(at + 1.0, volume, event="pause"))
        rinse.observe(Row(at + gap_s - 1.0, volume, event="resume"))
        expected.append(rinse.observe(Row(at + gap_s, volume + PORTION_ML, event="portion")).filtrate)
    assert 1.5 < expected[1].mid / expected[0].mid < 4.0
    begin, risen = at + 12 * 3600.0, 0.8 * expected[1].mid
    for i in range(1, 12):
        state = rinse.observe(_value(begin + 8.0 * i, volume + PORTION_ML, round(risen, 1), "uS/cm", 1))
    assert state.verdict is Verdict.RINSE and state.filtrate.mid == pytest.approx(risen, rel=0.1)


def test_flow_tells_the_volume_where_rows_do_not(bench: Any, display: Any) -> None:
    """Rows without rinse_ml in continuous flow: time and the flow's setting stand in; pauses do not count."""

    def curve(v: float) -> float:
        return 1.2 + 90_000.0 * math.exp(-v / 250.0)

    setup = bench.setup(flow_ml_min=60.0)
    with_volume = bench.watch(setup, bench.flow_rows(curve, display(), 60.0, 1200.0, 10.0))
    without = bench.watch(setup, bench.flow_rows(curve, display(), 60.0, 1200.0, 10.0, with_volume=False))
    assert without[-1].rinse_ml == pytest.approx(with_volume[-1].rinse_ml)
    assert without[-1].remaining.mid_ml == pytest.approx(with_volume[-1].remaining.mid_ml, rel=1e-6)
    rinse = bench.begin(setup)
    rinse.observe(Row(0.0))
    rinse.observe(Row(60.0, event="pause"))
    rinse.observe(Row(660.0, event="resume"))
    assert rinse.observe(Row(720.0)).rinse_ml == pytest.approx(120.0)


def test_portion_rows_without_volume_keep_the_last(bench: Any, recording: Any) -> None:
    """Readings that do not say the volume belong to the portion poured last."""
    _, rows = recording
    rows = _until(rows, 8)
    bare = [replace(r, rinse_ml=None) if r.has_reading else r for r in rows]
    assert bench.watch(bench.setup(), bare)[-1] == bench.watch(bench.setup(), rows)[-1]


def test_rows_cut_from_the_middle(bench: Any, recording: Any) -> None:
    """Portions 6 to 10 missing: the volume tells of them, the stop is still right."""
    levels, rows = recording
    cut = [r for r in rows if not 6 <= r.rinse_ml / PORTION_ML <= 10]
    states = bench.watch(bench.setup(), cut)
    stop = bench.first_stop(states)
    assert stop is not None
    assert levels[round(cut[stop].rinse_ml / PORTION_ML)] <= 1.15 * 12.0


def test_missing_portion_rows_are_portions_all_the_same(bench: Any) -> None:
    """Ten portions that only the volume tells of wash as ten portions do, one huge one washes far less."""
    at_once = bench.watch(bench.setup(), [Row(0.0, 10 * PORTION_ML)])[-1]
    singly = bench.watch(bench.setup(), [Row(180.0 * n, n * PORTION_ML, event="portion") for n in range(1, 11)])[-1]
    one_huge = bench.watch(bench.setup(portion_ml=10 * PORTION_ML), [Row(0.0, 10 * PORTION_ML)])[-1]
    assert at_once.floor_us_cm == pytest.approx(singly.floor_us_cm, rel=0.01)
    assert at_once.remaining.mid_ml == pytest.approx(singly.remaining.mid_ml, abs=0.5 * PORTION_ML)
    assert one_huge.remaining.mid_ml > at_once.remaining.mid_ml + PORTION_ML


def test_pump_off_is_a_rest_and_short_gaps_are_none(bench: Any) -> None:
    """Two hours without volume: the slow liquid leaked meanwhile. A minute without rows, the flow going on: no rest."""
    rested, going = (FlowBelief(bench.setup(flow_ml_min=60.0), 1.0) for _ in range(2))
    for belief in (rested, going):
        for i in range(30):
            belief.move(10.0 * i, 10.0 * i)
    rested.move(300.0, 290.0 + 7210.0)
    going.move(350.0, 350.0)
    assert not going.course.rests
    assert [round(r.seconds) for r in rested.course.rests] == [7200]


def test_recording_that_begins_late(bench: Any, recording: Any) -> None:
    """The first reading is already far down (the first ten portions were not recorded): answers, and a right stop."""
    levels, rows = recording
    late = bench.later([r for r in rows if r.rinse_ml > 10 * PORTION_ML], -10 * PACE_S, -10 * PORTION_ML)
    states = bench.watch(bench.setup(), late)
    stop = bench.first_stop(states)
    assert stop is not None
    portion = 10 + round(late[stop].rinse_ml / PORTION_ML)
    assert levels[portion] <= 1.15 * 12.0 and levels[portion - 3] > 12.0


@pytest.mark.parametrize("flow", [False, True])
@pytest.mark.parametrize("shown", ["over", "zero", "under"])
def test_nothing_but_one_word(bench: Any, flow: bool, shown: str) -> None:
    """Over range all along, 0 all along, under range all along: never a stop, never a nan."""
    setup = bench.setup(flow_ml_min=120.0) if flow else bench.setup()
    rows = []
    for i in range(240):
        volume = 20.0 * i if flow else PORTION_ML * (1 + i // 12)
        if not flow and i % 12 == 0:
            rows.append(Row(10.0 * i, volume, event="portion"))
        mark = {"over": Mark.OVER, "zero": Mark.VALUE, "under": Mark.UNDER}[shown]
        rows.append(Row(10.0 * i + 1.0, volume, mark, 0.0 if shown == "zero" else None, "ppm", 0))
    states = bench.watch(setup, rows)
    assert bench.first_stop(states) is None
    assert states[-1].filtrate is None if shown == "over" else states[-1].verdict is Verdict.CHECK


@pytest.mark.parametrize("flow", [False, True])
@pytest.mark.parametrize("shown", [0.0, 3.0, 500.0, 9000.0])
def test_one_reading_only(bench: Any, flow: bool, shown: float) -> None:
    """A single number gives an answer and an interval that is wide; a low one alone is not believed into a stop, and
    in flow, where the first filtrate is the liquor, it is asked about and gives no answer."""
    setup = bench.setup(flow_ml_min=120.0) if flow else bench.setup()
    states = bench.watch(setup, [_value(3.0, 250.0, shown)])
    assert states[0].verdict is not Verdict.STOP
    if flow and shown == 3.0:
        assert states[0].verdict is Verdict.CHECK and states[0].remaining is None
        return
    assert states[0].remaining is not None
    if shown >= 500.0:
        assert states[0].filtrate is not None
        assert states[0].remaining.high_ml is None or states[0].remaining.high_ml > 1.5 * states[0].remaining.low_ml


@pytest.mark.parametrize("flow", [False, True])
def test_readings_that_only_go_up(bench: Any, flow: bool) -> None:
    """No washout at all: no crash, no stop while the readings lie above the target."""
    setup = bench.setup(flow_ml_min=120.0) if flow else bench.setup()
    rows = []
    for n in range(1, 25):
        rows += [_value(60.0 * n + 5.0 * i, PORTION_ML * n, 10.0 * 1.2**n) for i in range(1, 8)]
    states = bench.watch(setup, rows)
    assert bench.first_stop(states) is None


def test_no_target_yet(bench: Any) -> None:
    """``feed`` cannot be watched before it is known: refused at the set-up, in words."""
    with pytest.raises(SetupError, match="feed"):
        bench.begin(bench.setup(endpoint=Endpoint.parse("feed", 0.5)))
