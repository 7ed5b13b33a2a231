"""``watch`` end to end: the real program on a real pty, against a meter that knows nothing of it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from itertools import pairwise
from pathlib import Path

import pytest
from fakemeter import FakeMeter, Washout

from rinsewatch.cli.bench_fault_program import program
from rinsewatch.cli.main import run
from rinsewatch.logbook.store import Logbook
from rinsewatch_drivers.capture import read_capture

if sys.platform == "win32":
    pytest.skip("there are no pseudo-terminals on Windows", allow_module_level=True)

PATIENCE_S = 90.0  # for machines that do much else beside
TARGET = 24.0
FLOW = ["--resin-ml", "100", "--flow-ml-min", "600", "--residue", "NaOH", "--endpoint", f"{TARGET:g} uS/cm"]
PORTIONS = ["--resin-ml", "500", "--portion-ml", "250", "--residue", "NaOH", "--endpoint", "12 uS/cm"]
Line = dict[str, object]


@contextmanager
def watching(folder: Path, *options: str, out: int | None = subprocess.PIPE) -> Iterator[subprocess.Popen[str]]:
    """The program under watch; killed at the end if it still runs."""
    with program(folder, "watch", *options, out=out) as process:
        yield process


def ended(process: subprocess.Popen[str]) -> tuple[int, list[Line], str]:
    """Wait for its end: exit code, the JSON lines, stderr."""
    out, err = process.communicate(timeout=PATIENCE_S)
    return process.returncode, [json.loads(line) for line in (out or "").splitlines()], err


def replayed(folder: Path, capsys: pytest.CaptureFixture[str], rinse: int = 1) -> list[Line]:
    """Export the recorded rinse, replay the CSV, return its lines without the file's name."""
    path = folder / f"export-{rinse}.csv"
    with Logbook.open(folder / "logbook.sqlite") as logbook:
        logbook.export(rinse, path)
    assert run(["replay", "--json", str(path)]) == 0
    lines: list[Line] = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert all(line.pop("file") == str(path) for line in lines)
    return lines


def check_stop(lines: list[Line]) -> None:
    last = lines[-1]
    reading = last["reading_us_cm"]
    assert last["verdict"] == "stop"
    assert isinstance(reading, float)
    # readings have 0.5 % noise: three standard deviations above 1.15 x the target
    assert reading <= 1.15 * TARGET * 1.015
    if reading < 0.85 * TARGET and stood_still(lines):
        raise StoodStill
    assert reading >= 0.85 * TARGET, "a stop so late would waste water: an e-fold is 4 s here"


class StoodStill(AssertionError):
    """Too late, on a machine that did not keep time."""


def again_where_it_stood_still(test: Callable[..., None]) -> Callable[[Path, pytest.CaptureFixture[str]], None]:
    """Up to three rinses: the bound must hold on one of a machine that kept time."""

    @wraps(test)
    def tried(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        for attempt in range(3):
            folder = tmp_path / str(attempt)
            folder.mkdir()
            try:
                return test(folder, capsys)
            except StoodStill:
                if attempt == 2:
                    raise
        return None

    return tried


def stood_still(lines: list[Line]) -> bool:
    """Lines five times a second that came in a heap: the machine, not the program, held its breath.

    A washout of 4 s an e-fold then seems to leap, and a leap is doubted: no rinse is so fast, a machine may be so slow.
    """
    times = [float(str(line["time_s"])) for line in lines]
    steps = [after - before for before, after in pairwise(times)]
    return any(long > 0.3 and short < 0.1 for long, short in pairwise(steps))


def test_a_heap_of_lines_is_told_from_a_steady_meter() -> None:
    steady: list[Line] = [{"time_s": time_s} for time_s in (1.0, 1.2, 1.41, 1.59, 2.4, 2.6)]  # one line was lost
    heaped: list[Line] = [{"time_s": time_s} for time_s in (1.0, 1.2, 1.61, 1.62, 1.8, 2.0)]
    assert not stood_still(steady)
    assert stood_still(heaped)


@again_where_it_stood_still
def test_clean_stops_in_time_and_replays_the_same(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    washout = Washout(start=2000.0, efold_ml=20.0)
    with (
        FakeMeter(tmp_path / "meter", washout) as meter,
        watching(tmp_path, "--port", str(meter.link), *FLOW, "--json", "--until-endpoint") as process,
    ):
        code, lines, err = ended(process)
    assert code == 0, err
    check_stop(lines)
    assert replayed(tmp_path, capsys) == lines


@again_where_it_stood_still
def test_garbage_zeros_and_a_pulled_cable_are_survived(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """15 % garbage lines, 4 s of dry-probe zeros in mid-rinse, a 3 s unplug and replug."""
    meter = FakeMeter(
        tmp_path / "meter",
        Washout(efold_ml=40.0),
        garbage_share=0.15,
        zeros=(5.0, 9.0),
        unplugged=(11.0, 14.0),
    )
    with meter, watching(tmp_path, "--port", str(meter.link), *FLOW, "--json", "--until-endpoint") as process:
        code, lines, err = ended(process)
    assert code == 0, err
    check_stop(lines)
    assert "fault: meter lost" in err
    assert "note: meter back after" in err
    assert any(line["verdict"] == "check" for line in lines), "the zeros must not go unnoticed"
    assert replayed(tmp_path, capsys) == lines
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        raw = [entry for entry in logbook.entries(1) if not entry.observed]
    assert len(raw) >= 3, "garbage is kept as bytes"


@again_where_it_stood_still
def test_kill_9_then_continue_loses_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    washout = Washout(start=600.0, efold_ml=40.0)  # 10 s from the kill to the target, to start again in
    with FakeMeter(tmp_path / "meter", washout) as meter:
        options = ["--port", str(meter.link), "--json", "--until-endpoint"]
        with watching(tmp_path, *FLOW, *options, "--capture", str(tmp_path / "bytes.jsonl")) as process:
            assert process.stdout is not None
            printed = [json.loads(process.stdout.readline()) for _ in range(10)]
            process.kill()
            process.wait()
        with watching(tmp_path, *options, "--continue") as process:
            code, lines, err = ended(process)
    assert code == 0, err
    check_stop(lines)
    both = replayed(tmp_path, capsys)
    assert both[: len(printed)] == printed, "each printed line was stored before"
    assert both[-len(lines) :] == lines, "the continued rinse goes on as if nothing had happened"
    captured = b"".join(chunk.data for chunk in read_capture(tmp_path / "bytes.jsonl"))
    assert captured.count(b" uS/cm\r\n") >= len(printed)


def test_a_meter_lost_for_good_is_exit_3_and_the_rinse_stays_open(tmp_path: Path) -> None:
    with (
        FakeMeter(tmp_path / "meter", unplugged=(6.0, 1e9)) as meter,  # a busy machine takes long to begin
        watching(tmp_path, "--port", str(meter.link), *FLOW, "--json", "--give-up", "1") as process,
    ):
        code, _, err = ended(process)
    assert code == 3, err
    assert "--continue" in err
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        assert [info.unfinished for info in logbook.rinses()] == [True]


def test_ended_before_the_endpoint_is_exit_5(tmp_path: Path) -> None:
    with (
        FakeMeter(tmp_path / "meter") as meter,
        watching(tmp_path, "--port", str(meter.link), *FLOW, "--json", "--until-endpoint") as process,
    ):
        assert process.stdout is not None and process.stdin is not None
        process.stdout.readline()
        process.stdin.write("q\n")
        process.stdin.flush()
        code, _, err = ended(process)
    assert code == 5, err


@pytest.mark.parametrize(
    ("number", "code", "reason"),
    [
        (signal.SIGINT, 130, "interrupted"),
        (signal.SIGTERM, 143, "terminated"),
        (signal.SIGHUP, 129, "terminal closed"),
        (signal.SIGQUIT, 131, "quit"),
    ],
)
def test_after_a_signal_the_rinse_can_be_continued(tmp_path: Path, number: int, code: int, reason: str) -> None:
    with (
        FakeMeter(tmp_path / "meter") as meter,
        watching(tmp_path, "--port", str(meter.link), *FLOW, "--json") as process,
    ):
        assert process.stdout is not None
        printed = json.loads(process.stdout.readline())
        process.send_signal(number)
        process.send_signal(number)  # a second one must not get between
        found, _, err = ended(process)
    assert found == code, err
    assert f"rinse 1 {reason}" in err
    assert f"go on with: rinsewatch watch --continue --port {meter.link} --json\n" in err
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        assert logbook.rinse(1).unfinished
        before = len(logbook.rows(1))
        assert before >= printed["row"]
    with (
        FakeMeter(tmp_path / "meter") as meter,
        watching(tmp_path, "--continue", "--port", str(meter.link), "--json") as process,
    ):
        assert process.stdout is not None and process.stdin is not None
        assert json.loads(process.stdout.readline())["row"] > before, "it goes on where it stood"
        process.stdin.write("q\n")
        process.stdin.flush()
        found, _, err = ended(process)
    assert found == 0, err
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        assert logbook.rinse(1).end_reason == "finished"


def test_closed_stdout_does_not_stop_the_recording(tmp_path: Path) -> None:
    reader, writer = os.pipe()
    with (
        FakeMeter(tmp_path / "meter") as meter,
        watching(tmp_path, "--port", str(meter.link), *FLOW, "--json", out=writer) as process,
    ):
        os.close(writer)
        assert os.read(reader, 10)
        os.close(reader)
        with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
            deadline = time.monotonic() + PATIENCE_S
            while len(logbook.rows(1)) < 12:
                assert time.monotonic() < deadline
                time.sleep(0.1)
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=PATIENCE_S) == 143


def typed(folder: Path, lines: str, *options: str) -> tuple[int, list[Line], str]:
    with watching(folder, "--port", "hand", *PORTIONS, "--json", *options) as process:
        out, err = process.communicate(lines, timeout=PATIENCE_S)
    return process.returncode, [json.loads(line) for line in out.splitlines()], err


def test_a_rinse_typed_by_hand(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, lines, err = typed(tmp_path, "p\n= 2.41 mS/cm\np 300\np\nu\n= over\n= 412 uS/cm\nn calm\nfeed\ny\nq\n")
    assert code == 0, err
    assert [line["rinse_ml"] for line in lines] == [250.0, 550.0, 550.0]
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        rows = logbook.rows(1)
    assert [row.event for row in rows if row.event] == [
        "portion", "portion", "portion", "undo", "note: calm",
        "note: struck row 7 (412 uS/cm)", "note: feed = 412 uS/cm",
    ]  # fmt: skip
    assert (rows[1].reading, rows[1].decimals) == (2410.0, -1)
    assert replayed(tmp_path, capsys) == lines


def test_the_end_of_typed_input_breaks_the_rinse_off(tmp_path: Path) -> None:
    code, lines, err = typed(tmp_path, "p\n= 2000 uS/cm\n", "--until-endpoint")
    assert (code, len(lines)) == (5, 1), err
    assert "go on with: rinsewatch watch --continue --port hand --json --until-endpoint" in err
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        assert logbook.rinse(1).unfinished


def test_a_line_that_is_no_command_is_told_and_changes_nothing(tmp_path: Path) -> None:
    code, lines, err = typed(tmp_path, "= 12\n= 12,5 ppm\npp\np -3\np 9999\nno\nq\n")
    assert (code, lines) == (0, [])
    for words in ("'12' has no unit", "cannot read", "'pp' is no command", "'-3' must be more than 0", "y/n"):
        assert words in err
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        assert logbook.rows(1) == []


def test_plain_lines_say_what_matters(tmp_path: Path) -> None:
    with watching(tmp_path, "--port", "hand", *PORTIONS) as process:
        out, err = process.communicate("p\n= 2000 uS/cm\nq\n", timeout=PATIENCE_S)
    assert process.returncode == 0, err
    assert "RINSE ON" in out
    assert "rinsewatch logbook export 1 FILE" in out


def test_a_logbook_taken_away_is_told_and_the_rows_are_rescued(tmp_path: Path) -> None:
    """Moved away in mid-rinse: loud, readings kept, exit 4, the rows in a file of last resort."""
    logbook = tmp_path / "logbook.sqlite"
    with watching(tmp_path, "--port", "hand", *PORTIONS, "--json") as process:
        assert process.stdin is not None and process.stdout is not None
        process.stdin.write("= 900 uS/cm\n")
        process.stdin.flush()
        process.stdout.readline()
        logbook.rename(tmp_path / "moved.sqlite")
        out, err = process.communicate("= 800 uS/cm\np\nq\n", timeout=PATIENCE_S)
    assert process.returncode == 4, err
    assert [json.loads(line)["row"] for line in out.splitlines()] == [2], "still watched, though not stored"
    assert "NOT SAVED" in err and "2 rows could NOT be saved" in err
    (rescued,) = tmp_path.glob("rinse-1-unsaved-*.csv")
    assert ",800,uS/cm,,0," in rescued.read_text()


def test_a_logbook_that_comes_back_gets_every_row(tmp_path: Path) -> None:
    logbook, moved = tmp_path / "logbook.sqlite", tmp_path / "moved.sqlite"
    with watching(tmp_path, "--port", "hand", *PORTIONS, "--json") as process:
        assert process.stdin is not None and process.stdout is not None
        for line, act in (
            ("= 900 uS/cm", lambda: logbook.rename(moved)),
            ("= 800 uS/cm", lambda: moved.rename(logbook)),
        ):
            process.stdin.write(f"{line}\n")
            process.stdin.flush()
            process.stdout.readline()
            act()
        _, err = process.communicate("= 700 uS/cm\nq\n", timeout=PATIENCE_S)
    assert process.returncode == 0, err
    with Logbook.open(logbook) as opened:
        assert [row.reading for row in opened.rows(1)] == [900.0, 800.0, 700.0]
        assert all(result.ok for result in opened.verify_all())


def test_a_port_that_is_not_there_yet_is_waited_for(tmp_path: Path) -> None:
    link = tmp_path / "meter"
    with watching(tmp_path, "--port", str(link), *FLOW, "--json", "--wait") as process:
        assert process.stdout is not None and process.stderr is not None
        assert "fault: no meter yet" in process.stderr.readline()
        with FakeMeter(link):
            assert json.loads(process.stdout.readline())["row"] > 1
            process.send_signal(signal.SIGINT)
            code, _, _ = ended(process)
    assert code == 130
