"""An endpoint is verified by a water of known reading, and by nothing else."""

from __future__ import annotations

from typing import Any

import pytest

from rinsewatch.errors import QuantityError
from rinsewatch.quantities import parse_reading
from rinsewatch.rinse.known import HOLDS_S, known_from_note, known_note, off_words
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import Endpoint
from rinsewatch.rinse.state import RinseState, Verdict

FALLS = (881, 510, 329, 228, 172, 122, 93, 67, 47, 32, 22, 15, 12, 8, 6, 4, 2, 1)


def _portions(seconds: float = 105.0) -> list[Row]:
    rows = []
    for n, ppm in enumerate(FALLS, start=1):
        rows.append(Row(seconds * (n - 1) + 10.0, 1900.0 * n, event="portion"))
        rows.append(Row(seconds * n, 1900.0 * n, Mark.VALUE, float(ppm), "ppm", 0))
    return rows


def _check(time_s: float, note: str) -> Row:
    return Row(time_s, None, event=f"note: known = {note}")


def _end(bench: Any, rows: list[Row]) -> RinseState:
    setup = bench.setup(resin_ml=1010.0, portion_ml=1900.0, endpoint=Endpoint.parse("4 uS/cm", 0.5))
    rinse = Rinse(setup)
    for row in rows:
        rinse.observe(row)
    assert rinse.state.verdict is Verdict.STOP
    return rinse.state


def test_without_a_check_a_stop_says_that_it_is_not_verified(bench: Any) -> None:
    state = _end(bench, _portions())
    assert not state.verified
    assert state.reason == "the endpoint is reached, not verified: the meter was not checked in a known water"


@pytest.mark.parametrize(
    ("note", "verified"),
    [
        ("84 uS/cm, read 84.0 uS/cm", True),
        ("84 uS/cm, read 80.0 uS/cm", True),
        ("84 uS/cm, read 79.0 uS/cm", False),
        ("84 uS/cm, read 89.0 uS/cm", False),
        ("9 ppm, read 10 ppm", True),  # one step of the display: it cannot tell
        ("9 ppm, read 11 ppm", False),
        ("84.0 uS/cm, read 42.0 ppm", True),  # the same water at the scale x0.5
        ("84.0 uS/cm, read 59.0 ppm", False),
    ],
)
@pytest.mark.parametrize("when", ["before", "after"])
def test_a_check_within_5_percent_or_a_step_verifies(bench: Any, note: str, verified: bool, when: str) -> None:
    rows = _portions()
    rows = (
        [*rows, _check(rows[-1].time_s + 60.0, note)]
        if when == "after"
        else [*rows[:-1], _check(1800.0, note), rows[-1]]
    )
    state = _end(bench, rows)
    assert state.verified is verified
    assert ("not verified" in state.reason) is not verified
    if "read 79" in note:
        assert "6 % off" in state.reason


def test_an_old_check_does_not_speak_for_the_endpoint(bench: Any) -> None:
    """The meter may have drifted since; a check after the stop speaks for it however late."""
    rows = _portions(400.0)
    stop_s = rows[-1].time_s
    early = [row for row in rows if row.time_s < stop_s - 2.0 * HOLDS_S]
    good = "84 uS/cm, read 84.0 uS/cm"
    old = [*early, _check(stop_s - 1.2 * HOLDS_S, good), *rows[len(early) :]]
    old.sort(key=lambda row: row.time_s)
    assert not _end(bench, old).verified
    assert "half an hour" in _end(bench, old).reason
    assert _end(bench, [*old, _check(stop_s + 5.0 * HOLDS_S, good)]).verified


def test_the_note_can_be_read_again() -> None:
    note = known_note(parse_reading("84 uS/cm"), parse_reading("81.2 uS/cm"))
    check = known_from_note(note.partition("=")[2], 0.5)
    assert (check.should_us_cm, check.read_us_cm, check.step_us_cm) == (84.0, 81.2, 1.0)


@pytest.mark.parametrize(
    "words", ["", "84 uS/cm", "0 uS/cm, read 1 uS/cm", "84, read 81", "84 uS/cm, read over", "nan uS/cm, read 1 uS/cm"]
)
def test_what_is_no_check_is_refused_and_changes_nothing(bench: Any, words: str) -> None:
    with pytest.raises(QuantityError):
        known_from_note(words, 0.5)
    state = _end(bench, [*_portions(), _check(2000.0, words)])
    assert "was not checked" in state.reason


def test_a_failed_check_is_put_in_words_and_one_in_two_units_is_not_guessed_at() -> None:
    assert off_words("84 uS/cm, read 30 uS/cm").startswith("64 % below")
    assert off_words("84 uS/cm, read 100 uS/cm").startswith("19 % above")
    assert off_words("84 uS/cm, read 81.2 uS/cm") == "" == off_words("84 uS/cm, read 42 ppm")
