"""The fuzz campaign in small: nothing found, every control fooled, and planted faults found and shown."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from rinsewatch.cli import bench_fuzz_lines, bench_fuzz_modbus, bench_fuzz_tables
from rinsewatch.cli.bench_fuzz import NAMES, main, targets
from rinsewatch.cli.bench_fuzz_core import Account, given_of, run_target
from rinsewatch.errors import RecordingError
from rinsewatch.logbook.verify import Verification
from rinsewatch_drivers import modbus_source
from rinsewatch_drivers.profile import Profile
from rinsewatch_drivers.reading import Kind, Parsed, fault

LOOSE = re.compile(rb"[0-9]+(?:\.[0-9]*)?")


def test_a_small_campaign_finds_nothing_and_fools_every_control() -> None:
    done = CliRunner().invoke(main, ["--inputs", "6000", "--seed", "5", "--json"])
    found = [json.loads(line) for line in done.output.splitlines()]
    assert [account["name"] for account in found] == list(NAMES)
    assert [offence for account in found for offence in account["offences"]] == []
    assert done.exit_code == 0, done.output
    assert all(account["fooled"] > 0 and account["accepted"] > 0 for account in found)
    assert sum(account["inputs"] for account in found) >= 5990


def test_an_input_is_made_again_from_seed_and_number() -> None:
    target = bench_fuzz_lines.Lines()
    assert given_of(target, 77, 3) == given_of(bench_fuzz_lines.Lines(), 77, 3)
    assert len({given_of(target, number, 3).data for number in range(50)}) > 40
    assert given_of(target, 77, 4) != given_of(target, 77, 3)
    shown = CliRunner().invoke(main, ["--only", "lines", "--seed", "3", "--at", "77"]).output
    assert repr(given_of(target, 77, 3).data) in shown


def test_wrong_names_are_refused() -> None:
    assert CliRunner().invoke(main, ["--only", "nothing"]).exit_code == 2
    assert CliRunner().invoke(main, ["--at", "7"]).exit_code == 2


def _loose(profile: Profile, line: bytes) -> Parsed:
    match = LOOSE.search(line)
    return fault("syntax") if match is None else Parsed(Kind.VALUE, float(match[0]), 0, "ppm")


def _kinds(account: Account) -> set[str]:
    return {offence.kind for offence in account.offences}


def test_a_parser_that_finds_a_number_in_the_text_is_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench_fuzz_lines, "parse_line", _loose)
    account = run_target(bench_fuzz_lines.Lines(), range(300), 1)
    assert account.false > 100 and not account.well
    assert _kinds(account) == {"false"} and "it says no number" in str(account.offences[0])


def test_a_parser_that_breaks_is_caught_and_its_input_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(profile: Profile, line: bytes) -> Parsed:
        raise IndexError("beyond the end")

    monkeypatch.setattr(bench_fuzz_lines, "parse_line", breaks)
    account = run_target(bench_fuzz_lines.Lines(), range(5), 1)
    assert account.raised == 5 and _kinds(account) == {"uncaught"}
    assert "IndexError" in str(account.offences[0]) and str(account.offences[0]).isascii()


def test_frames_that_hang_on_their_chunks_are_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    class Forgetful(bench_fuzz_lines.LineFramer):
        def feed(self, data: bytes) -> list[bench_fuzz_lines.Frame]:
            return super().feed(data + b"\n")

    monkeypatch.setattr(bench_fuzz_lines, "LineFramer", Forgetful)
    assert run_target(bench_fuzz_lines.Streams(), range(3), 1).false == 3


def test_a_client_without_check_sum_is_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(modbus_source.wire, "crc16", lambda data: b"\0\0")
    monkeypatch.setattr(modbus_source.wire, "parse_response", lambda query, reply: (reply[3] << 8, 0)[: query[5]])
    assert run_target(bench_fuzz_modbus.Modbus(), range(300), 1).false > 10


def test_words_of_several_lines_are_caught(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    class Wordy(RecordingError):
        def __str__(self) -> str:
            return "first\nsecond"

    def refuses(path: Path) -> None:
        raise Wordy("")

    monkeypatch.setattr(bench_fuzz_tables, "read_recording", refuses)
    account = run_target(bench_fuzz_tables.Recordings(tmp_path), range(4), 1)
    assert account.unclear == 4 and "unclear" in _kinds(account)


@pytest.mark.parametrize("blind", [lambda connection: Verification(None, 2)], ids=["verify without the chain"])
def test_a_verify_that_looks_at_nothing_misses_changes(
    monkeypatch: pytest.MonkeyPatch, blind: Callable[..., Verification]
) -> None:
    monkeypatch.setattr("rinsewatch.logbook.store.verify_file", blind)
    monkeypatch.setattr("rinsewatch.logbook.store.verify_rinse", lambda connection, number: Verification(number, 8))
    with targets() as made:
        account = run_target(next(target for target in made if target.name == "logbooks"), range(60), 1)
    assert account.false > 10 and "a change was not noticed" in str(account.offences[0])
