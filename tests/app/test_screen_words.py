"""Snapshot to words: honest about what is not known, units always written."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rinsewatch.rinse.gate import Cause
from rinsewatch.rinse.setup import Residue
from rinsewatch.rinse.state import Quality, Remaining, Verdict
from rinsewatch.screen import view
from rinsewatch.screen.picture import invented_snapshot
from rinsewatch.screen.snapshot import ChartPoint, Snapshot, decimated


def with_state(snapshot: Snapshot, **changes: object) -> Snapshot:
    assert snapshot.state is not None
    return replace(snapshot, state=replace(snapshot.state, **changes))  # type: ignore[arg-type]


def remaining(low: float, mid: float | None, high: float | None, **changes: object) -> str:
    snapshot = with_state(invented_snapshot(), remaining=Remaining(low, mid, high), **changes)
    return view.remaining_words(snapshot)


def test_remaining_in_portions_is_rounded_outwards() -> None:
    assert remaining(1030, 1280, 1690) == "5 more portions (4 to 7), about 22 min"
    assert remaining(10, 240, 260) == "1 more portion (0 to 1), about 4 min"
    assert remaining(10, 60, 600).startswith("1 more portion (0 to 3)")


def test_remaining_in_flow_is_a_volume() -> None:
    flow = remaining(1100, 1300, 1700, is_flow=True, pace_s=0.6, portion_ml=None)
    assert flow == "1.30 L more (1.10 L to 1.70 L), about 13 min"


@pytest.mark.parametrize(
    ("low", "mid", "high", "said"),
    [
        (1000.0, None, None, "at least 4 more portions; it may never get there"),
        (1000.0, 1500.0, None, "6 more portions (at least 4; it may never get there), about 25 min"),
        (0.0, 0.0, 0.0, "no more water needed; let the reading settle"),
        (1000.0, float("inf"), float("inf"), "at least 4 more portions; it may never get there"),
        (float("nan"), 5.0, 6.0, "water still needed: not yet known"),
    ],
)
def test_remaining_when_it_may_never_get_there(low: float, mid: float | None, high: float | None, said: str) -> None:
    assert remaining(low, mid, high) == said


def test_not_yet_known_is_said() -> None:
    blank = replace(invented_snapshot(), state=None, last_reading_text="", last_reading_age_s=None)
    assert view.remaining_words(blank) == "water still needed: not yet known"
    assert "not yet known" in view.filtrate_words(blank)
    assert view.reading_words(blank) == "no reading yet"
    assert view.verdict_title(blank) == "WAITING"
    assert "minutes not yet known" in view.remaining_words(with_state(invented_snapshot(), pace_s=None))


def test_reading_and_what_it_means() -> None:
    snapshot = replace(with_state(invented_snapshot(), reading_us_cm=14.0, floor_us_cm=0.0), last_reading_text="7 ppm")
    # 14 uS/cm over the limiting conductivity of NaOH, 248 S cm2/mol (CRC Handbook: 50.08 + 198.0), times
    # 39.997 g/mol is 2.26 mg/L.
    assert view.reading_words(snapshot) == "7 ppm = about 14 uS/cm; caustic left about 2.3 mg/L"
    same = replace(snapshot, last_reading_text="14.0 uS/cm")
    assert view.reading_words(same) == "14.0 uS/cm; caustic left about 2.3 mg/L", "not its own reading again"


@pytest.mark.parametrize(
    ("residue", "expected_mg_l"),
    # 10 uS/cm over CRC limiting conductivities (248.08, 425.96, 126.39 S cm2/mol) times the molar mass.
    [(Residue.NAOH, 1.612), (Residue.HCL, 0.856), (Residue.SALT, 4.624)],
)
def test_residue_left(residue: Residue, expected_mg_l: float) -> None:
    assert view.residue_left_mg_l(residue, 10.0) == pytest.approx(expected_mg_l, rel=0.01)


def test_residue_left_has_no_answer_above_the_curve() -> None:
    assert view.residue_left_mg_l(Residue.NAOH, 1e6) is None
    assert view.residue_left_mg_l(Residue.NAOH, float("nan")) is None


def test_over_and_under_range() -> None:
    snapshot = invented_snapshot()
    over = replace(snapshot, history=(ChartPoint(0, 4000, "over"),), last_reading_text="----")
    assert view.reading_words(over) == "----: over range, more than 4000 uS/cm"
    under = replace(
        with_state(snapshot, reading_us_cm=0.0),
        history=(ChartPoint(0, 0.0, "under"),),
        last_reading_text="0 ppm",
        setup=replace(snapshot.setup, resolution_us_cm=2.0),
    )
    assert view.reading_words(under) == "0 ppm: below about 1 uS/cm"


def test_a_reading_not_trusted_gets_no_meaning() -> None:
    assert view.reading_words(invented_snapshot(Verdict.CHECK)) == "0 ppm: not trusted"


def test_actions_for_portions_and_flow() -> None:
    stop = invented_snapshot(Verdict.STOP)
    assert view.verdict_action(stop).endswith("pour no more")
    assert view.verdict_action(with_state(stop, is_flow=True)).endswith("shut the water off")
    assert "press c" in view.verdict_action(invented_snapshot(Verdict.CHECK))


@pytest.mark.parametrize(
    ("cause", "title"),
    [
        ("dry", "CHECK THE PROBE"),
        ("low", "CHECK THE PROBE"),
        ("link", "CHECK THE METER"),
        ("frozen", "CHECK THE METER"),
    ],
)
def test_check_sends_the_eye_to_the_right_place(cause: str, title: str) -> None:
    check = with_state(invented_snapshot(Verdict.CHECK), cause=cause)
    assert view.verdict_title(check) == title
    assert ("cable" in view.verdict_action(check)) == (title == "CHECK THE METER")
    assert "no stop is called" in view.verdict_action(check)


def test_every_cause_of_the_core_has_words() -> None:
    for cause in Cause:
        if cause is not Cause.NONE:
            said = view.probe_words(with_state(invented_snapshot(Verdict.CHECK), cause=cause.value))
            assert len(said.split("(")[1].split(")")[0].split()) > 3, said


def test_the_reason_is_a_sentence_and_never_just_the_verdict_again() -> None:
    assert view.reason_words(invented_snapshot(Verdict.STOP)) == "The endpoint is reached."
    assert view.reason_words(invented_snapshot()) == "Chances: reached now under 1 %, out of reach 2 %."
    assert view.reason_words(with_state(invented_snapshot(), reason="meter frozen?")) == "Meter frozen?"


def test_titles_with_pause_and_finish() -> None:
    snapshot = invented_snapshot()
    assert view.verdict_title(replace(snapshot, paused=True)) == "PAUSED, RINSE ON"
    assert view.verdict_title(replace(snapshot, finished=True)) == "FINISHED, RINSE ON"
    assert view.verdict_title(replace(snapshot, finished=True, unfinished=True)) == "BROKEN OFF, RINSE ON"


def test_price_of_certainty() -> None:
    assert view.certainty_words(invented_snapshot()) == (
        "1.28 L likely, 1.69 L to be 95 % sure: certainty costs 410 mL"
    )
    open_ended = with_state(invented_snapshot(), remaining=Remaining(900, 1200, None))
    assert "no volume makes it 95 % sure" in view.certainty_words(open_ended)


def test_probe_health_names_the_cause() -> None:
    assert view.probe_words(invented_snapshot()) == "in order; read 1 s ago"
    dry = view.probe_words(invented_snapshot(Verdict.CHECK))
    assert dry == "NOT TRUSTED (reads zero like a probe in air); read 1 s ago"
    odd = view.probe_words(with_state(invented_snapshot(), quality=Quality.UNCERTAIN, cause="some_new_cause"))
    assert odd.startswith("uncertain (some new cause)")


def test_old_readings_are_called_old() -> None:
    assert view.age_words(3.2) == "3 s ago"
    assert view.age_words(42) == "OLD: 42 s ago"
    assert view.age_words(6000) == "OLD: 100 min ago"


def test_target_in_both_units() -> None:
    assert view.target_words(invented_snapshot()) == "target 18 (9 ppm, feed water), floor 1.2"


def test_not_saved_is_loud() -> None:
    assert view.record_words(replace(invented_snapshot(), recorded="NOT SAVED: disk full")) == "!! NOT SAVED: disk full"
    assert view.record_words(replace(invented_snapshot(), recorded="")) == "not recorded"


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0.0, "0"),
        (0.0549, "0.055"),
        (1.1, "1.1"),
        (14.09, "14.1"),
        (812.3, "812"),
        (12880.0, "12880"),
        (float("nan"), "?"),
        (5e7, "5e+07"),
    ],
)
def test_numbers(value: float, said: str) -> None:
    assert view.number_words(value) == said


@pytest.mark.parametrize(
    ("minutes", "said"),
    [
        (0.2, "about a minute"),
        (21.4, "about 21 min"),
        (100, "about 1 h 40 min"),
        (1e5, "more than two days"),
        (float("inf"), "time not yet known"),
    ],
)
def test_minutes(minutes: float, said: str) -> None:
    assert view.minutes_words(minutes) == said


def test_volumes_and_clock_and_percent() -> None:
    assert [view.volume_words(v) for v in (0, 850, 1250, 250_000)] == ["0 mL", "850 mL", "1.25 L", "250 L"]
    assert view.clock_words(3723.9) == "1:02:03"
    assert [view.percent(p) for p in (0, 0.5, 1, float("nan"))] == ["under 1 %", "50 %", "over 99 %", "?"]


def test_thinning_keeps_first_and_newest() -> None:
    points = tuple(ChartPoint(float(i), 1.0) for i in range(1001))
    thin = decimated(points, 400)
    assert len(thin) == 400
    assert (thin[0], thin[-1]) == (points[0], points[-1])
    assert decimated(points[:5], 400) == points[:5]
    assert decimated(points, 1) == points[-1:]
