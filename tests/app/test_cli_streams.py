"""Streams that are closed or have no reader, a bare command line, and a meter that is listened to."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from fakemeter import FakeMeter

from rinsewatch.cli.bench_fault_program import environment
from rinsewatch.cli.main import run
from rinsewatch.logbook.store import Logbook

HEAD = '# resin_ml = 500\n# portion_ml = 250\n# residue = "NaOH"\n# endpoint = "12 uS/cm"\n'
COLUMNS = "time_s,reading,unit,temperature_c,rinse_ml,event\n"
HAND = [
    "watch",
    "--port",
    "hand",
    "--resin-ml",
    "500",
    "--portion-ml",
    "250",
    "--residue",
    "NaOH",
    "--endpoint",
    "9 ppm",
]


def shell(folder: Path, line: str, *arguments: str, given: str = "") -> subprocess.CompletedProcess[str]:
    """Run ``line`` in sh, with the program as ``$0`` and ``$@`` and the arguments behind it."""
    command = ["sh", "-c", line, sys.executable, "-m", "rinsewatch", *arguments]
    return subprocess.run(command, env=environment(folder), input=given, capture_output=True, text=True, timeout=90)


needs_sh = pytest.mark.skipif(sys.platform == "win32", reason="the shell's redirections are POSIX")


@needs_sh
def test_a_reader_that_leaves_is_quiet_and_exit_0(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    path.write_text(HEAD + COLUMNS + "".join(f"{i},900,uS/cm,,250,\n" for i in range(1500)))
    done = shell(tmp_path, '{ "$0" "$@"; echo "code $?" >&2; } | head -n 1', "replay", "--json", str(path))
    assert done.stderr == "code 0\n"
    assert done.stdout.count("\n") == 1


@needs_sh
@pytest.mark.parametrize("closed", [">&-", "2>&-", ">&- 2>&-"])
def test_started_with_closed_streams_it_still_records(tmp_path: Path, closed: str) -> None:
    done = shell(tmp_path, f'"$0" "$@" {closed}', *HAND, "--json", given="p\n= 900 uS/cm\nq\n")
    assert done.returncode == 0, done.stderr
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        assert [row.reading for row in logbook.rows(1)] == [None, 900.0]
        assert all(result.ok for result in logbook.verify_all())


needs_full = pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no /dev/full")


@needs_full
@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_output_lost_to_a_full_disk_is_told_and_is_no_fault_of_ours(tmp_path: Path, unbuffered: str) -> None:
    line = f'PYTHONUNBUFFERED={unbuffered} "$0" "$@" > /dev/full'
    for arguments in (["--help"], ["plan", "--help"], ["meters"]):
        done = shell(tmp_path, line, *arguments)
        assert done.returncode == 2
        assert done.stderr.startswith("rinsewatch: the output could not be written (")
        assert done.stderr.count("\n") == 1
    assert not list(tmp_path.rglob("internal-errors.txt"))


@needs_full
@pytest.mark.parametrize(("code", "exits"), [(129, 129), (0, 120)])
def test_what_a_thread_writes_to_a_lost_terminal_after_a_signal_leaves_the_exit_code(code: int, exits: int) -> None:
    """The control: without a signal Python's own last flush fails and takes the code."""
    script = (
        "import sys, threading, rinsewatch.cli.main as m\n"
        "def late(out): threading.main_thread().join(); out.write('frame')\n"
        "def run(arguments):\n"
        f"    threading.Thread(target=late, args=(sys.stdout,)).start(); return {code}\n"
        "m.run = run; m.main()"
    )
    buffered = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-c", script], stdout=full, stderr=subprocess.PIPE, timeout=60, env=buffered
        )
    assert done.returncode == exits


@needs_full
@pytest.mark.parametrize("unbuffered", ["", "1"])
@pytest.mark.parametrize("face", ["--json", "--plain"])
def test_a_rinse_goes_on_when_its_lines_are_lost_and_says_so(tmp_path: Path, face: str, unbuffered: str) -> None:
    line = f'PYTHONUNBUFFERED={unbuffered} "$0" "$@" > /dev/full'
    given = "p\n= 900 uS/cm\np\n= 500 uS/cm\nq\n"
    done = shell(tmp_path, line, *HAND, face, given=given)
    assert done.returncode == 0, done.stderr
    assert done.stderr.count("nothing more can be printed (") == 1
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        assert [row.reading for row in logbook.rows(1) if row.reading is not None] == [900.0, 500.0]
    ended = shell(tmp_path, line, *HAND, face, "--until-endpoint", given=given)
    assert ended.returncode == 5, "lost output does not make an endpoint"


@needs_sh
def test_a_reader_that_leaves_does_not_make_an_endpoint(tmp_path: Path) -> None:
    line = '{ "$0" "$@"; echo "code $?" >&2; } | head -n 1 >/dev/null'
    given = "p\n= 900 uS/cm\n= 890 uS/cm\np\n= 500 uS/cm\nq\n"
    done = shell(tmp_path, line, *HAND, "--json", "--until-endpoint", given=given)
    assert done.stderr.splitlines()[-1] == "code 5"


def test_a_bare_command_is_its_help_and_no_error(capsys: pytest.CaptureFixture[str]) -> None:
    for arguments in ([], ["logbook"]):
        assert run(arguments) == 0
        captured = capsys.readouterr()
        assert captured.err == ""
        assert captured.out.startswith("Usage: rinsewatch")
        assert captured.out.count("\n") > 10


def test_volumes_are_asked_for_in_volumes(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*HAND, "--resin-ml", "much"]) == 2
    assert "ppm" not in capsys.readouterr().err


needs_ptys = pytest.mark.skipif(sys.platform == "win32", reason="the fake meter needs a pseudo-terminal")


@needs_ptys
def test_listening_is_said_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with FakeMeter(tmp_path / "meter") as meter:
        assert run(["meters", str(meter.link), "--seconds", "0.9"]) == 0
    captured = capsys.readouterr()
    assert captured.err == f"listening to {meter.link} for 0.9 s ...\n"
    assert "use it: --meter" in captured.out


@needs_ptys
@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--meter", "json-lines"], "bytes came, but none fits the profile json-lines"),
        (["--meter", "modbus-float"], "bytes came, but none fits the profile modbus-float"),
    ],
)
def test_a_check_with_the_wrong_profile_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], words: str
) -> None:
    with FakeMeter(tmp_path / "meter") as meter:
        assert run(["meters", str(meter.link), "--seconds", "0.6", "--check", "1413 uS/cm", *options]) == 3
    assert f"no reading in 0.6 s: {words}" in capsys.readouterr().err


@needs_ptys
def test_a_check_of_a_silent_meter_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with FakeMeter(tmp_path / "meter", rate_hz=0.1) as meter:
        options = ["--seconds", "0.4", "--check", "1413 uS/cm", "--meter", "polled-ascii"]
        assert run(["meters", str(meter.link), *options]) == 3
    assert "nothing came to the questions of the profile polled-ascii" in capsys.readouterr().err


def test_export_onto_a_file_names_the_way_to_replace_it(tmp_path: Path) -> None:
    from rinsewatch.errors import RecordingError
    from rinsewatch.logbook.csvwrite import write_recording

    path = tmp_path / "mine.csv"
    path.write_text("mine")
    with pytest.raises(RecordingError, match="--overwrite"):
        write_recording(path, {}, [])
