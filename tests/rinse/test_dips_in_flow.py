"""Caustic residue that neutralises the carbonic acid of the rinse water: the filtrate reads less than that water.

Near a target "zero" such a dip lies below all that was foreseen. No stop at once then; the person is told why, and
their word ends it. (The simulator's chemistry, two of five thousand sound rinses.)
"""

from __future__ import annotations

import math

import pytest

from rinsewatch import Rinse, Row, Verdict
from rinsewatch.cli.bench_fault_campaign import clean_record
from rinsewatch.cli.bench_rinse import row_of, setup_of, target_of
from rinsewatch.rinse import prior
from rinsewatch.rinse.verdict import DOUBTED, LASTING

PATIENCE_S = 60.0


def _watched(seed: int, *, answers: bool) -> tuple[bool, float | None, float]:
    """Whether the person was told of the doubt; filtrate at the stop in targets (None: none), resin volumes then."""
    record = clean_record(seed)
    rinse, told_s = Rinse(setup_of(record.scenario)), None
    for number, raw in enumerate(record.rows):
        state = rinse.observe(row_of(raw))
        if state.verdict is Verdict.STOP:
            there = float(record.settled_scale_us_cm[number]) / target_of(record)
            return told_s is not None, there, (raw.rinse_ml or 0.0) / record.scenario.resin_ml
        if state.reason == DOUBTED:
            told_s = raw.time_s if told_s is None else told_s
            if answers and raw.time_s - told_s > PATIENCE_S:
                rinse.observe(Row(raw.time_s, event="note: probe confirmed"))
    return told_s is not None, None, math.inf


@pytest.mark.parametrize("seed", [1905, 3596])
def test_a_reading_below_all_that_was_foreseen_is_told_and_the_persons_word_ends_it(seed: int) -> None:
    """Unanswered the rinse goes on for more than half a resin volume, until another explanation is found."""
    unanswered, answered = (_watched(seed, answers=answers) for answers in (False, True))
    for told, there, _ in (unanswered, answered):
        assert told, "or it shows nothing"
        assert there is None or there <= 1.0
    assert answered[1] is not None and answered[2] < unanswered[2] - 0.5


@pytest.mark.parametrize("seed", [1905, 3596])
def test_with_no_other_explanation_only_the_persons_word_ends_it(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The control: no floor lies below what the rinse water reads."""
    monkeypatch.setattr(prior, "LOW_FLOOR_SHARE", 0.0)
    monkeypatch.setattr(prior, "LOW_FLOOR_SPREADS", 40.0)
    unanswered, answered = (_watched(seed, answers=answers) for answers in (False, True))
    assert unanswered[0] and unanswered[1] is None
    assert answered[0] and answered[1] is not None and answered[1] <= 1.0


@pytest.mark.parametrize("seed", [1905, 3596])
def test_who_only_rinses_on_is_asked_to_look(seed: int) -> None:
    """A resin volume later: what bears it out will not come."""
    record = clean_record(seed)
    rinse, told_ml, asked_ml = Rinse(setup_of(record.scenario)), None, None
    for raw in record.rows:
        state = rinse.observe(row_of(raw))
        told_ml = raw.rinse_ml if told_ml is None and state.reason == DOUBTED else told_ml
        if asked_ml is None and state.reason == LASTING:
            asked_ml = raw.rinse_ml
            assert state.verdict is Verdict.CHECK
    assert told_ml is not None and asked_ml is not None
    assert asked_ml - told_ml == pytest.approx(record.scenario.resin_ml, rel=0.1)
