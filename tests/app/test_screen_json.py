"""The JSON line: keys, their order, nulls and digits as promised to scripts."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from rinsewatch.rinse.state import Interval, Remaining, RinseState, Verdict
from rinsewatch.screen.jsonlines import json_line
from rinsewatch.screen.picture import invented_snapshot

# The promised order, written out here on purpose and not taken from the code.
KEYS = [
    "row",
    "time_s",
    "rinse_ml",
    "reading_us_cm",
    "filtrate_us_cm",
    "filtrate_low_us_cm",
    "filtrate_high_us_cm",
    "target_us_cm",
    "floor_us_cm",
    "remaining_ml",
    "remaining_low_ml",
    "remaining_high_ml",
    "remaining_portions",
    "remaining_min",
    "chance_reached",
    "chance_unreachable",
    "verdict",
    "reason",
]


def state(**changes: object) -> RinseState:
    example = invented_snapshot().state
    assert example is not None
    return replace(example, **changes)  # type: ignore[arg-type]


def test_keys_in_order_and_file_only_when_given() -> None:
    assert list(json.loads(json_line(state(), row=3))) == KEYS
    assert list(json.loads(json_line(state(), row=3, file="a.csv"))) == ["file", *KEYS]


def test_values() -> None:
    line = json_line(
        state(
            time_s=118.0,
            rinse_ml=500.0,
            filtrate=Interval(790.123456, 806.4, 823.0),
            portion_ml=250.0,
            remaining=Remaining(1080.0, 1310.0, 1700.0),
            pace_s=240.0,
        ),
        row=12,
        file="a.csv",
    )
    got = json.loads(line)
    assert got["file"] == "a.csv" and got["row"] == 12
    assert (got["time_s"], got["rinse_ml"]) == (118.0, 500.0)
    assert (got["filtrate_low_us_cm"], got["filtrate_us_cm"]) == (790.123, 806.4)
    assert (got["remaining_portions"], got["remaining_min"]) == (5.24, 20.96)
    assert got["verdict"] == "rinse"
    assert "\n" not in line


def test_long_runs_keep_their_milliseconds() -> None:
    assert json.loads(json_line(state(time_s=259200.125), row=1))["time_s"] == 259200.125


@pytest.mark.parametrize("verdict", list(Verdict))
def test_verdict_words(verdict: Verdict) -> None:
    assert json.loads(json_line(state(verdict=verdict), row=1))["verdict"] == verdict.value


def test_nulls() -> None:
    got = json.loads(json_line(state(reading_us_cm=None, filtrate=None, remaining=None, floor_us_cm=None), row=1))
    for key in (
        "reading_us_cm",
        "filtrate_us_cm",
        "filtrate_low_us_cm",
        "filtrate_high_us_cm",
        "floor_us_cm",
        "remaining_ml",
        "remaining_low_ml",
        "remaining_high_ml",
        "remaining_portions",
        "remaining_min",
    ):
        assert got[key] is None, key


def test_high_is_null_while_low_is_not_when_it_may_never_get_there() -> None:
    got = json.loads(json_line(state(remaining=Remaining(2600.0, None, None)), row=1))
    assert (got["remaining_low_ml"], got["remaining_ml"], got["remaining_high_ml"]) == (2600.0, None, None)


def test_never_a_token_that_is_no_json() -> None:
    odd = state(reading_us_cm=float("nan"), remaining=Remaining(1.0, 2.0, float("inf")), chance_reached=float("nan"))
    got = json.loads(json_line(odd, row=1), parse_constant=lambda token: pytest.fail(token))
    assert got["reading_us_cm"] is None and got["remaining_high_ml"] is None and got["chance_reached"] is None


def test_file_names_and_reasons_survive() -> None:
    got = json.loads(json_line(state(reason='say "no"\n'), row=1, file="r\u00fcn \udc80.csv"))
    assert got["file"] == "r\u00fcn \udc80.csv"
    assert got["reason"] == 'say "no"\n'
