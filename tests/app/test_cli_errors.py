"""Bad input: one clear line, the promised exit code, nothing recorded lost or changed."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

import rinsewatch
from rinsewatch.cli.bench_fault_program import environment
from rinsewatch.cli.main import COMMANDS, run
from rinsewatch.logbook.store import Logbook

RINSE = ["--resin-ml", "500", "--portion-ml", "250", "--residue", "NaOH", "--endpoint", "12 uS/cm"]
HEAD = '# resin_ml = 500\n# portion_ml = 250\n# residue = "NaOH"\n# endpoint = "12 uS/cm"\n'
COLUMNS = "time_s,reading,unit,temperature_c,rinse_ml,event\n"


@pytest.fixture(autouse=True)
def own_data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.setenv("RINSEWATCH_DATA", str(tmp_path / "data"))
    with open(os.devnull) as nothing:
        monkeypatch.setattr("sys.stdin", nothing)
        yield tmp_path / "data"


def complaint(capsys: pytest.CaptureFixture[str], arguments: list[str], code: int) -> str:
    """Run, check the exit code, and that exactly one line of stderr says why; returns it."""
    assert run(arguments) == code
    captured = capsys.readouterr()
    lines = captured.err.splitlines()
    assert len(lines) == 1, captured.err
    assert lines[0].startswith("rinsewatch: ")
    assert "Traceback" not in captured.err
    return lines[0]


def test_continue_refuses_other_settings_and_takes_the_same_again(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["watch", "--port", "hand", "--plain", *RINSE]) == 0
    again = ["watch", "--port", "hand", "--plain", "--continue"]
    capsys.readouterr()
    said = complaint(capsys, [*again, *RINSE[:-1], "90 uS/cm", "--top", "999 ppm"], 2)
    assert said.startswith("rinsewatch: --endpoint, --top: an unfinished rinse keeps the settings it began with;")
    assert run([*again, *RINSE]) == 0
    assert run(again) == 0


def test_continue_without_a_logbook_makes_none(own_data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "there is no logbook" in complaint(capsys, ["watch", "--port", "hand", "--continue"], 2)
    assert not own_data.exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["wach"], "No such command 'wach'. Did you mean 'watch'?"),
        (["watch", "--prot", "x"], "Did you mean"),
        (["watch", "--json", "--plain", "--port", "hand", *RINSE], "not both"),
        (["watch", "--port", "hand"], "--resin-ml 500, --residue NaOH, --endpoint feed, --portion-ml 250 or"),
        (["watch", *RINSE], "--port"),
        (["watch", *RINSE, "--port", ""], "--port: nothing is named"),
        (["watch", "--port", "hand", *RINSE, "--resin-ml", "-5"], "--resin-ml: '-5' must be more than 0"),
        (["watch", "--port", "hand", *RINSE, "--endpoint", "12"], "endpoint: '12' has no unit"),
        (["watch", "--port", "hand", *RINSE, "--feed", "9"], "--feed: '9' has no unit"),
        (["watch", "--port", "hand", *RINSE, "--endpoint", "feed"], "--endpoint feed needs"),
        (
            ["watch", "--port", "hand", *RINSE, "--endpoint", "1 ppm", "--resolution", "10 ppm"],
            "below what the meter",
        ),
        (["watch", "--port", "hand", *RINSE, "--flow-ml-min", "100"], "not both"),
        (["watch", "--port", "hand", *RINSE, "--residue", "tea"], "--residue: 'tea' is none"),
        (["watch", "--port", "hand", *RINSE, "--meter", "nonsense"], "--meter: profile nonsense"),
        (["watch", "--port", "hand", "--continue"], "no unfinished rinse"),
        (["watch", "--port", "hand", "--give-up", "soon", *RINSE], "--give-up"),
        (["replay"], "FILE"),
        (["replay", "nowhere.csv"], "nowhere.csv: cannot be read"),
        (["demo", "--speed", "0"], "--speed"),
        (["meters", "--check", "1413 uS/cm"], "name the port"),
    ],
)
def test_bad_usage_is_exit_2_with_one_line(
    capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    assert words in complaint(capsys, arguments, 2)


def test_a_unit_that_stands_by_itself_is_put_into_quotes(capsys: pytest.CaptureFixture[str]) -> None:
    said = complaint(capsys, ["watch", "--feed", "9", "ppm"], 2)
    assert said == "rinsewatch: 'ppm' stands by itself: put a number and its unit in quotes, like --feed '9 ppm'"
    assert "in quotes" not in complaint(capsys, ["watch", "something", "else"], 2)


@pytest.mark.parametrize(("option", "name"), [("--sheet", "plan.pdf"), ("--save", "plan.json")])
def test_a_plan_is_not_written_under_an_ending_it_is_not(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, option: str, name: str
) -> None:
    assert "give it a name that ends in" in complaint(capsys, ["plan", option, str(tmp_path / name)], 2)
    assert "there is no folder" in complaint(capsys, ["plan", option, str(tmp_path / "none" / "plan")], 2)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("arguments", "option"),
    [
        (["watch", "--resin-ml", "abc"], "--resin-ml"),
        (["watch", "--resin-ml", "-5"], "--resin-ml"),
        (["watch", "--feed", "8"], "--feed"),
        (["watch", "--residue", "sugar"], "--residue"),
        (["plan", "--resin-ml", "abc"], "--resin-ml"),
        (["plan", "--cation-ml", "x"], "--cation-ml"),
        (["plan", "--acid", "vinegar"], "--acid"),
        (["watch", "--tds-factor", "0,5"], "--tds-factor"),
    ],
)
def test_what_cannot_be_read_is_named_before_what_is_missing(
    capsys: pytest.CaptureFixture[str], arguments: list[str], option: str
) -> None:
    said = complaint(capsys, arguments, 2)
    assert said.startswith(f"rinsewatch: {option}: ") and "missing" not in said


@pytest.mark.parametrize("command", ["watch", "plan"])
def test_what_is_missing_is_named_where_all_that_was_given_can_be_read(
    capsys: pytest.CaptureFixture[str], command: str
) -> None:
    said = complaint(capsys, [command, "--feed", "8 ppm"], 2)
    assert "missing: --resin-ml 500" in said and "--portion-ml 250" in said


def test_a_missing_port_is_exit_3_and_leaves_no_rinse_behind(
    capsys: pytest.CaptureFixture[str], own_data: Path
) -> None:
    words = complaint(capsys, ["watch", "--port", "/dev/there-is-none", *RINSE], 3)
    assert "/dev/there-is-none" in words
    assert "port" in words
    with Logbook.open(own_data / "logbook.sqlite") as logbook:
        assert logbook.rinses() == []


def test_a_port_in_use_is_exit_3_and_names_the_holder(capsys: pytest.CaptureFixture[str]) -> None:
    master, slave = os.openpty()
    holder = subprocess.Popen([sys.executable, "-c", _HOLD, os.ttyname(slave)], stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout is not None and holder.stdout.readline() == "held\n"
        words = complaint(capsys, ["watch", "--port", os.ttyname(slave), *RINSE], 3)
        assert str(holder.pid) in words
    finally:
        holder.kill()
        holder.communicate()
        os.close(master)
        os.close(slave)


_HOLD = """
import fcntl, os, sys, time
port = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
fcntl.flock(port, fcntl.LOCK_EX)
print("held", flush=True)
time.sleep(60)
"""


def test_no_permission_is_exit_3_and_names_the_group(tmp_path: Path) -> None:
    """Root may open everything, so the program drops to another user (uid 65534) once it is loaded."""
    if os.geteuid() != 0:
        pytest.skip("only root can make a port that another user may not open")
    master, slave = os.openpty()
    try:
        os.chmod(os.ttyname(slave), 0o600)
        os.chmod(tmp_path, 0o777)
        with tempfile.TemporaryDirectory() as data:
            os.chmod(data, 0o777)
            result = subprocess.run(
                [sys.executable, "-c", _AS_NOBODY, "watch", "--port", os.ttyname(slave), *RINSE],
                env=environment(Path(data)), capture_output=True, text=True, stdin=subprocess.DEVNULL,
            )  # fmt: skip
    finally:
        os.close(master)
        os.close(slave)
    assert (result.returncode, "dialout" in result.stderr) == (3, True), result.stderr
    assert len(result.stderr.splitlines()) == 1


_AS_NOBODY = """
import os
import platformdirs.unix, rinsewatch.cli.watch, rinsewatch.cli.watchplan
import rinsewatch_drivers.profile as profiles
from rinsewatch.cli.main import main
profiles.builtin_profiles()
os.setgroups([])
os.setgid(65534)
os.setuid(65534)
main()
"""


@pytest.mark.parametrize("content", [b"", b"SQLite format 3\0 but no more", b"a,b,c\n1,2,3\n"])
def test_what_is_no_logbook_is_refused_unchanged(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, content: bytes
) -> None:
    path = tmp_path / "other.sqlite"
    path.write_bytes(content)
    assert str(path) in complaint(capsys, ["watch", "--port", "hand", "--logbook", str(path), *RINSE], 4)
    assert path.read_bytes() == content


def test_a_newer_logbook_is_refused_unchanged(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "newer.sqlite"
    Logbook.open(path).close()
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    before = path.read_bytes()
    assert "newer" in complaint(capsys, ["watch", "--port", "hand", "--logbook", str(path), *RINSE], 4)
    assert path.read_bytes() == before


def test_a_logbook_in_use_is_exit_4_and_names_the_writer(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    with Logbook.open(tmp_path / "used.sqlite") as logbook:
        logbook.reserve()
        words = complaint(capsys, ["watch", "--port", "hand", "--logbook", str(logbook.path), *RINSE], 4)
    assert str(os.getpid()) in words


@pytest.mark.parametrize(
    ("body", "where"),
    [
        ("1,12.5,ppm,,250,\n2,12..5,ppm,,250,\n", "row 2, column reading"),
        ("1,12.5,,,250,\n", "row 1, column unit"),
        ("1,12.5,ppm,warm,250,\n", "row 1, column temperature_c"),
        ("1,12.5,ppm,,250,\nx,12.5,ppm,,250,\n", "row 2, column time_s"),
        ("1,12.5,ppm,,250,danced\n", "row 1, column event"),
        ("1,12.5,ppm\n", "row 1, column temperature_c"),
    ],
)
def test_a_broken_recording_names_file_row_and_column(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, body: str, where: str
) -> None:
    path = tmp_path / "broken.csv"
    path.write_text(HEAD + COLUMNS + body)
    words = complaint(capsys, ["replay", str(path)], 2)
    assert f"{path}, {where}" in words


def test_lines_of_good_rows_come_before_the_broken_one(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "broken.csv"
    path.write_text(HEAD + COLUMNS + "1,500,ppm,,250,\n2,oops,ppm,,250,\n")
    assert run(["replay", "--json", str(path)]) == 2
    assert len(capsys.readouterr().out.splitlines()) == 1


def test_a_recording_without_its_columns_is_refused(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "bare.csv"
    path.write_text(HEAD + "time_s,value\n1,2\n")
    assert "no column reading, unit" in complaint(capsys, ["replay", str(path)], 2)


def test_an_internal_error_is_one_line_and_a_file(tmp_path: Path) -> None:
    """A fault of ours (made here by breaking a module): exit 1, no traceback on the screen."""
    broken = "import rinsewatch.cli.replay as r; r.json_lines = None; from rinsewatch.cli.main import main; main()"
    result = subprocess.run(
        [sys.executable, "-c", broken, "replay", "--json", "x.csv"],
        env=environment(tmp_path), capture_output=True, text=True,
    )  # fmt: skip
    assert result.returncode == 1
    (line,) = result.stderr.splitlines()
    assert "internal error" in line
    log = tmp_path / "internal-errors.txt"
    assert str(log) in line
    assert "Traceback" in log.read_text()


def test_help_is_quick_and_imports_nothing_heavy(tmp_path: Path) -> None:
    """The promise is 0.2 s: of processor time, because other work may share the machine; the best of three."""
    probe = (
        "import sys; from rinsewatch.cli.main import run; run(['--help']);"
        "print([m for m in ('numpy', 'scipy', 'rich', 'serial', 'msgspec', 'sqlite3') if m in sys.modules])"
    )
    world, best_s = environment(tmp_path), float("inf")
    for _ in range(3):
        before = os.times()
        result = subprocess.run([sys.executable, "-c", probe], env=world, capture_output=True, text=True)
        after = os.times()
        used_s = after.children_user + after.children_system - before.children_user - before.children_system
        best_s = min(best_s, used_s)
    assert result.stdout.splitlines()[-1] == "[]"
    assert 0.0 < best_s < 0.2


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_has_help_with_examples(capsys: pytest.CaptureFixture[str], name: str) -> None:
    assert run([name, "--help"]) == 0
    out = capsys.readouterr().out
    assert "Examples:" in out
    assert f"rinsewatch {name}" in out


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"rinsewatch {rinsewatch.__version__}\n"


def test_whoever_reads_our_output_may_leave(tmp_path: Path) -> None:
    """``rinsewatch replay --json big.csv | head -1`` ends quietly."""
    path = tmp_path / "long.csv"
    path.write_text(HEAD + COLUMNS + "".join(f"{i},{900 - i},ppm,,250,\n" for i in range(400)))
    words = f"{sys.executable} -m rinsewatch replay --json {path} | head -1"
    result = subprocess.run(["bash", "-c", words], env=environment(tmp_path), capture_output=True, text=True)
    assert (len(result.stdout.splitlines()), result.stderr) == (1, "")


def test_an_existing_capture_is_not_overwritten(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "bytes.jsonl"
    path.write_text("mine")
    words = complaint(capsys, ["watch", "--port", "hand", "--capture", str(path), *RINSE], 2)
    assert "exists already" in words
    assert path.read_text() == "mine"
