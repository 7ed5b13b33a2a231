"""The fault bench on its quick rows: each survives, each named control fails, and what is not built is said."""

from __future__ import annotations

import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from rinsewatch.cli import bench_fault_campaign as campaign
from rinsewatch.cli import bench_fault_known as known
from rinsewatch.cli import bench_faults
from rinsewatch.cli.bench_fault_table import (
    CATALOGUE,
    TABLE,
    Bench,
    Fault,
    Outcome,
    Result,
    in_time,
    run_fault,
    state_of,
)
from rinsewatch.cli.bench_faults import load, main, wanted
from rinsewatch.logbook.entry import Entry
from rinsewatch.session.recorder import Recorder

pytestmark = pytest.mark.skipif("sys.platform == 'win32'", reason="pseudo-terminals are the way in")

QUICK = ("S06", "S07", "S08", "S11", "S12", "S13", "S22", "S23")


def test_the_quick_rows_survive() -> None:
    done = CliRunner().invoke(main, ["--short", "--json", "--jobs", "1", "--only", ",".join(QUICK)])
    found = [json.loads(line) for line in done.output.splitlines()]
    assert [row["id"] for row in found] == list(QUICK)
    assert {row["id"]: row["state"] for row in found} == dict.fromkeys(QUICK, "survived")
    assert done.exit_code == 0
    assert sum(bool(row["control"]) for row in found) >= 4


def test_a_row_that_is_not_built_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    load()
    monkeypatch.delitem(TABLE, "S05")
    done = CliRunner().invoke(main, ["--jobs", "1", "--only", "S05"])
    assert "S05 not built" in done.output and "1 not built" in done.output and done.exit_code == 1
    assert "needs hardware" in done.output


@pytest.mark.parametrize(
    ("outcome", "state"),
    [
        (Outcome(True, ""), "survived"),
        (Outcome(True, "", lacking="the hint"), "partly"),
        (Outcome(False, ""), "FAILED"),
        (Outcome(True, "", "naive", control_failed=False), "control passed"),
    ],
)
def test_states(outcome: Outcome, state: str) -> None:
    assert state_of(outcome) == state


def test_an_injection_that_breaks_is_a_failure_and_not_a_survival(tmp_path: object) -> None:
    def broken(_: Bench) -> Outcome:
        raise OSError("no such thing")

    found = run_fault(Fault("S99", "", inject="", must="", run=broken), Bench(tmp_path))  # type: ignore[arg-type]
    assert (found.state, found.injected, known.worse([found])) == (
        "FAILED",
        False,
        ["S99 FAILED, known as survived"],
    )


def _row(number: str, state: str) -> Result:
    return Result(number, "", "", "", state, True, "", "", "something", 0.0)


def test_a_row_known_to_lack_something_is_named_and_may_get_neither_worse_nor_better_unseen(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    number = "S28"
    monkeypatch.setattr(known, "KNOWN", {number: "partly"})
    states = ["survived", "partly", "not built", "FAILED", "control passed"]
    assert [len(known.worse([_row(number, state)])) for state in states] == [0, 0, 1, 1, 1]
    assert [len(known.better([_row(number, state)])) for state in states] == [1, 0, 0, 0, 0]
    assert known.lacking([_row(number, "partly")]) == [f"{number} partly: something"]
    for state in states[1:]:
        assert known.worse([_row("S01", state)]), f"S01 {state} is no news that may pass"
    here = _row("S01", "cannot run here")
    assert not known.worse([here]) and not known.better([here]) and known.lacking([here])


def test_a_row_too_slow_beside_others_runs_again_alone_and_one_that_lost_something_does_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    load()
    for number, outcomes in {
        "S06": [in_time(True, False, "4 s"), in_time(True, True, "1 s")],
        "S07": [in_time(False, False, "1 lost")],
    }.items():
        monkeypatch.setitem(TABLE, number, Fault(number, "", inject="", must="", run=_one_by_one(outcomes)))
    monkeypatch.setattr(bench_faults, "ProcessPoolExecutor", ThreadPoolExecutor)
    found = {row.id: row for row in bench_faults.results(["S06", "S07"], Bench(tmp_path), 2)}
    assert found["S06"].state == "survived" and "the first was too slow: 4 s" in found["S06"].figures
    assert found["S07"].state == "FAILED"


def _one_by_one(outcomes: list[Outcome]) -> Callable[[Bench], Outcome]:
    return lambda bench: outcomes.pop(0)


def test_stacked_faults_are_survived_and_a_recorder_without_a_queue_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    load()
    found = run_fault(TABLE["X21"], Bench(tmp_path / "sound", short=True))
    assert found.state == "survived" and "8/8" in found.figures

    def careless(self: Recorder, entries: list[Entry]) -> bool:
        self._waiting += entries
        done = self.retry()
        self._waiting.clear()
        return done

    monkeypatch.setattr(Recorder, "store", careless)
    lossy = run_fault(TABLE["X21"], Bench(tmp_path / "lossy", short=True))
    assert lossy.state != "survived" and "the ledger does not close" in lossy.figures


def test_the_catalogue_has_84_rows_and_unknown_ones_are_refused() -> None:
    assert len(CATALOGUE) == 84
    assert len(wanted("S")) == 28
    assert CliRunner().invoke(main, ["--only", "S99"]).exit_code == 2


def test_a_person_who_looks_at_the_probe_and_confirms_it_gets_the_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bed of many cells, whose front is steeper than foreseen (rinse 604), and one nothing is asked of (0)."""
    assert [campaign.play_answered(seed) for seed in (604, 0)] == [False, False]
    monkeypatch.setattr(campaign, "FALSE_STOP", 0.5)  # the control: a stricter judge finds both false
    assert [campaign.play_answered(seed) for seed in (604, 0)] == [True, True]


def test_a_target_within_the_dip_of_a_caustic_rinse_is_not_reached() -> None:
    """The second rinse drawn for 533 passes below its target for one portion and ends a fifth above it."""
    rng = np.random.default_rng(campaign.SEEDS_FROM + 533)
    record = [campaign.run(campaign.random_scenario(rng, faults=(), hand_typed=False), rng) for _ in range(2)][1]
    target = campaign.target_of(record)
    assert record.scenario.residue == "NaOH"
    assert np.count_nonzero(record.knots_us_cm <= target) == 1 and record.knots_us_cm[-1] > 1.15 * target
    assert not campaign.reaches(record)
    drawn = campaign.clean_record(533)
    assert campaign.reaches(drawn) and drawn.knots_us_cm[-1] <= campaign.target_of(drawn)
