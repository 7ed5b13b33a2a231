"""Plain lines: one for each change worth telling, about one a second at most."""

from __future__ import annotations

from dataclasses import replace

from rinsewatch.rinse.state import Verdict
from rinsewatch.screen.picture import invented_snapshot
from rinsewatch.screen.plain import PlainTeller, plain_line
from rinsewatch.screen.view import reason_words


def test_a_line_says_all_that_matters() -> None:
    assert plain_line(invented_snapshot()) == (
        "0:37:48 | 2.25 L | 31 ppm = about 62 uS/cm; caustic left about 9.9 mg/L | RINSE ON | "
        "5 more portions (4 to 7), about 22 min"
    )


def test_verdicts_that_ask_for_action_stand_out_and_give_the_reason() -> None:
    for verdict, said in (
        (Verdict.STOP, "*** STOP: the rinse is done"),
        (Verdict.CHECK, "*** CHECK THE PROBE"),
        (Verdict.STALLED, "*** STALLED: more water will"),
    ):
        line = plain_line(invented_snapshot(verdict))
        assert said in line and reason_words(invented_snapshot(verdict)) in line


def test_lines_are_ascii_and_whole() -> None:
    line = plain_line(
        replace(invented_snapshot(), last_reading_text="7\x1b[2J\n\u00b5 \U0001f600", recorded="NOT SAVED: x")
    )
    assert line.isascii() and line.isprintable()
    assert line.endswith("!! NOT SAVED: x")


def test_nothing_new_is_not_told_twice() -> None:
    teller, snapshot = PlainTeller(), invented_snapshot()
    assert teller.line_for(snapshot) is not None
    assert teller.line_for(replace(snapshot, elapsed_s=snapshot.elapsed_s + 60)) is None


def test_readings_come_once_a_second_at_most() -> None:
    teller, snapshot = PlainTeller(), invented_snapshot()
    told = [
        teller.line_for(replace(snapshot, elapsed_s=i * 0.2, last_reading_text=f"{100 - i} ppm")) for i in range(26)
    ]
    assert 4 <= sum(line is not None for line in told) <= 6


def test_a_verdict_or_lost_storage_is_told_at_once() -> None:
    teller, snapshot = PlainTeller(), invented_snapshot()
    teller.line_for(snapshot)
    stop = replace(invented_snapshot(Verdict.STOP), elapsed_s=snapshot.elapsed_s + 0.1)
    assert "STOP" in (teller.line_for(stop) or "")
    assert "NOT SAVED" in (teller.line_for(replace(stop, recorded="NOT SAVED: disk full")) or "")


def test_a_message_is_told_once() -> None:
    teller, snapshot = PlainTeller(), invented_snapshot()
    assert (teller.line_for(snapshot) or "").endswith("| Portion 9 poured: 250 mL")
    later = replace(snapshot, elapsed_s=snapshot.elapsed_s + 5, last_reading_text="30 ppm")
    assert "Portion 9" not in (teller.line_for(later) or "Portion 9")


def test_a_clock_set_back_does_not_silence_the_lines() -> None:
    teller, snapshot = PlainTeller(), invented_snapshot()
    teller.line_for(snapshot)
    assert teller.line_for(replace(snapshot, elapsed_s=3.0, last_reading_text="30 ppm")) is not None
