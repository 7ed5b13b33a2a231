"""The fault bench on its quick rows: each survives, each named control fails, and what is not built is said."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from rinsewatch.cli.bench_fault_table import CATALOGUE, TABLE, Bench, Fault, Outcome, run_fault, state_of
from rinsewatch.cli.bench_faults import load, main, wanted

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
    assert "S05 not built" in done.output and "1 not built" in done.output
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
    assert (found.state, found.injected, found.well) == ("FAILED", False, False)


def test_the_catalogue_has_84_rows_and_unknown_ones_are_refused() -> None:
    assert len(CATALOGUE) == 84
    assert len(wanted("S")) == 28
    assert CliRunner().invoke(main, ["--only", "S99"]).exit_code == 2
