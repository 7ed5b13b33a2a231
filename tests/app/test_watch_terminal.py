"""``watch`` on a real terminal: questions, dashboard, keys, and the terminal given back."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from fakemeter import FakeMeter

from rinsewatch.logbook.store import Logbook

if sys.platform == "win32":
    pytest.skip("pexpect needs a POSIX terminal", allow_module_level=True)

from onterminal import PATIENCE_S, python_on_terminal, terminal

PORTIONS = ["--resin-ml", "500", "--portion-ml", "250", "--residue", "NaOH", "--endpoint", "12 uS/cm"]
HAND = ["--port", "hand", *PORTIONS]


def test_a_rinse_by_single_keys(tmp_path: Path) -> None:
    with terminal(tmp_path, "watch", *HAND) as screen:
        screen.shows("p portion")
        screen.child.send("p")
        screen.shows("portion 1: 250 mL")
        screen.child.send("p")
        screen.shows("was it poured? y/n")
        screen.child.send("n")
        screen.shows("not counted")
        for key in "=412 ppm":
            screen.child.send(key)
            time.sleep(0.02)  # a hand, not a paste
        screen.shows("412 ppm_")
        screen.child.send("\r")
        screen.shows("about 824")
        screen.child.send("q")
        screen.shows("Finish the rinse? y/n")
        screen.child.send("y")
        for words in ("What comes next", "Anything to note"):
            screen.shows(words)
            screen.child.send("\r")
        assert screen.end() == 0
    assert "\x1b[?1049l" in screen.raw, "the alternate screen is left"
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        (summary,) = logbook.ledger.items("summary")
    assert not {"next_step", "remark"} & summary.fields.keys(), "Enter skips"
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        rows = logbook.rows(1)
        assert logbook.rinse(1).end_reason == "finished"
    assert [(row.event, row.reading, row.rinse_ml) for row in rows] == [
        ("portion", None, 250.0),
        ("", 412.0, 250.0),
    ]


def test_ctrl_c_gives_the_terminal_back_and_the_rinse_can_be_continued(tmp_path: Path) -> None:
    with terminal(tmp_path, "watch", *HAND) as screen:
        screen.shows("p portion")
        screen.child.sendintr()
        screen.child.sendintr()
        assert screen.end() == 130
    assert screen.raw.index("\x1b[?1049h") < screen.raw.index("\x1b[?1049l")
    assert "\x1b[?25h" in screen.raw, "the cursor is back"
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        assert logbook.rinse(1).unfinished
    assert "go on with: rinsewatch watch --continue --port hand" in screen.raw


def test_ctrl_c_pressed_again_and_again_does_not_cut_off_the_last_words(tmp_path: Path) -> None:
    with terminal(tmp_path, "watch", *HAND) as screen:
        screen.shows("p portion")
        screen.child.sendintr()
        while "recorded in" not in screen.raw and screen.feed_once(0.01):
            screen.child.sendintr()
        assert screen.end() == 130
    assert "go on with: rinsewatch watch --continue --port hand" in screen.raw


def test_a_pasted_flood_pours_nothing(tmp_path: Path) -> None:
    with terminal(tmp_path, "watch", *HAND) as screen:
        screen.shows("p portion")
        screen.child.send("pupupupupupupupupup")
        screen.shows("Pasted text ignored")
        screen.child.sendintr()
        assert screen.end() == 130
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        assert logbook.rows(1) == []


def test_questions_with_the_last_answers_as_defaults(tmp_path: Path) -> None:
    questions = [
        ("Meter's port", "/dev/nosuch", "there is no port /dev/nosuch"),
        ("Meter's port", "hand", "hand"),
        ("Resin volume, mL", "500", "500"),
        ("One portion of rinse water, mL", "nothing", "like 250 mL"),
        ("One portion of rinse water, mL", "250", "250"),
        ("Rinsing out", "lye", "write NaOH (caustic), HCl (acid) or salt"),
        ("Rinsing out", "NaOH", "NaOH"),
        ("Stop at", "feed", "feed"),
        ("Feed water on this meter", "9", "has no unit"),
        ("Feed water on this meter", "9000 ppm", "is brackish"),
        ("Feed water on this meter", "9 ppm", "9 ppm"),
        ("Rinse water on this meter", "20 ppm", "20 ppm"),
        ("fresh from its cartridge, or stood in air", "old", "--water-state: 'old' is none"),
        ("fresh from its cartridge, or stood in air", "Stood", "Stood"),
        ("Largest reading", "lots", "'not known' if you cannot say"),
        ("Largest reading", "0 ppm", "must be more than 0"),
        ("Largest reading", "9990 ppm", "9990 ppm"),
        ("TDS factor", "1/2", "is no TDS scale; write 0.5, 0.64 or 0.7"),
        ("TDS factor", "2", "is no TDS scale"),
        ("TDS factor", "0.64", "0.64"),
    ]
    with terminal(tmp_path, "watch", "--plain") as screen:
        for words, answer, said in questions:
            screen.child.expect_exact(words)
            screen.child.expect_exact("]: " if "[" in words else ": ")
            screen.child.sendline(answer)
            if answer != said:
                screen.child.expect_exact(said)
            if answer == "20 ppm":
                screen.child.expect_exact("warning: --rinse-water 20 ppm reads above --feed 9 ppm")
        screen.child.expect_exact("WAITING")
        screen.child.sendline("q")
        assert screen.end() == 0
    with terminal(tmp_path, "watch", "--plain") as screen:
        for words, answer, said in questions:
            if answer == said:  # those refused the first time were not remembered
                screen.child.expect_exact(words)
                screen.child.expect_exact(f"[{answer}]: ")
                screen.child.sendline("")
        screen.child.expect_exact("WAITING")
        screen.child.sendline("q")
        assert screen.end() == 0
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        first, second = logbook.rinses()
    assert first.settings == second.settings
    assert first.settings["feed"] == "9 ppm"
    assert (first.settings["top"], first.settings["tds_factor"]) == ("9990 ppm", 0.64)


def test_a_port_that_is_not_there_is_told_before_any_question(tmp_path: Path) -> None:
    with terminal(tmp_path, "watch", "--port", "/dev/nosuch") as screen:
        assert screen.end() == 3
    assert "there is no port /dev/nosuch" in screen.raw
    assert "Resin" not in screen.raw


def test_ctrl_c_at_a_question_leaves_with_a_line_of_its_own(tmp_path: Path) -> None:
    with terminal(tmp_path, "watch", "--port", "hand") as screen:
        screen.shows("Resin volume, mL")
        screen.child.sendintr()
        assert screen.end() == 130
    assert screen.raw.splitlines()[-1] == "rinsewatch: interrupted"
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        assert logbook.rinses() == []


# Ctrl-C that does not break the wait for the answer, as one in the instant before the wait does not: it is another
# thread that gets the signal.
MISSED_CTRL_C = """
import signal, threading
threading.Thread(target=threading.Event().wait, daemon=True).start()
signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
from rinsewatch.cli.asking import ask
ask("Resin volume, mL", None, str)
"""


def test_ctrl_c_in_the_instant_before_the_wait_for_an_answer_counts(tmp_path: Path) -> None:
    with python_on_terminal(tmp_path, "-c", MISSED_CTRL_C) as screen:
        screen.shows("Resin volume, mL")
        screen.child.sendintr()
        assert screen.end() == 1
    assert "click.exceptions.Abort" in screen.raw


# Ctrl-C that is lost on the way, as in ``input`` while it flushes the streams.
LOST_CTRL_C = """
import contextlib, signal
import click.termui
asks = click.termui.visible_prompt_func
def loses_one(words):
    with contextlib.suppress(KeyboardInterrupt):
        signal.raise_signal(signal.SIGINT)
    return asks(words)
click.termui.visible_prompt_func = loses_one
from rinsewatch.cli.asking import ask
ask("Resin volume, mL", None, str)
"""


def test_a_ctrl_c_lost_while_the_question_is_put_counts(tmp_path: Path) -> None:
    with python_on_terminal(tmp_path, "-c", LOST_CTRL_C) as screen:
        screen.shows("Resin volume, mL")
        assert screen.end() == 1
    assert "click.exceptions.Abort" in screen.raw


def test_a_meter_in_us_cm_is_not_asked_for_a_tds_factor(tmp_path: Path) -> None:
    with terminal(tmp_path, "watch", "--port", "hand", "--plain") as screen:
        for answer in ("500", "250", "NaOH", "12 uS/cm", "1 uS/cm", "", "not known"):
            screen.child.expect_exact(": ")
            screen.child.sendline(answer)
        screen.child.expect_exact("WAITING")
        screen.child.sendline("q")
        assert screen.end() == 0
    assert "TDS" not in screen.raw


def test_settings_that_look_like_a_slip_are_told_on_the_screen(tmp_path: Path) -> None:
    with terminal(tmp_path, "watch", "--port", "hand", *PORTIONS, "--rinse-water", "12 uS/cm") as screen:
        screen.shows("is at or below the rinse water")
        screen.child.sendintr()
        assert screen.end() == 130


def test_an_unfinished_rinse_is_offered(tmp_path: Path) -> None:
    with terminal(tmp_path, "watch", *HAND) as screen:
        screen.shows("p portion")
        screen.child.send("p")
        screen.shows("1 row stored")
        screen.child.kill(9)
        screen.child.wait()
    with terminal(tmp_path, "watch", *HAND) as screen:
        screen.child.expect_exact("was not finished (1 row stored). Continue it? [Y/n]: ")
        screen.child.sendline("y")
        screen.shows("poured in 1 portion")
        screen.child.sendintr()
        assert screen.end() == 130
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        assert len(logbook.rinses()) == 1


@pytest.mark.parametrize(
    "environment",
    [{"TERM": "dumb"}, {"NO_COLOR": "1"}, {"LC_ALL": "C"}, {"LC_ALL": "", "LC_CTYPE": "", "LANG": "POSIX"}],
)
def test_poor_terminals_work(tmp_path: Path, environment: dict[str, str]) -> None:
    with terminal(tmp_path, "watch", *HAND, **environment) as screen:
        screen.until(lambda text: "p portion" in text or "reading" in text)
        screen.child.sendintr()
        assert screen.end() == 130
    if "LC_ALL" in environment:  # Python itself makes stdout UTF-8 here
        assert screen.raw.isascii()
    if "NO_COLOR" in environment:
        assert "\x1b[3" not in screen.raw.replace("\x1b[39", "").replace("\x1b[3J", "")


def test_a_closed_terminal_ends_the_program_within_a_second_or_two(tmp_path: Path) -> None:
    """On a busy machine in proportion: within four times what its start took, which is over half a second."""
    began_s = time.monotonic()
    with terminal(tmp_path, "watch", *HAND) as screen:
        screen.shows("p portion")
        closed_s = time.monotonic()
        screen.child.ptyproc.fileobj.close()
        wait_for(lambda: not screen.child.isalive(), every_s=0.02)
        assert time.monotonic() - closed_s < max(2.0, 4.0 * (closed_s - began_s))
        assert screen.child.exitstatus == 129
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        assert logbook.rinse(1).unfinished


def test_a_terminal_nobody_reads_does_not_stop_the_recording(tmp_path: Path) -> None:
    """Its buffer fills, the drawing thread hangs on it; readings go on being stored, a signal still ends it."""
    options = ["--resin-ml", "100", "--flow-ml-min", "60", "--residue", "NaOH", "--endpoint", "24 uS/cm"]
    with (
        FakeMeter(tmp_path / "meter", rate_hz=20) as meter,
        terminal(tmp_path, "watch", "--port", str(meter.link), *options) as screen,
    ):
        screen.shows("n note")
        logbook = tmp_path / "logbook.sqlite"
        wait_for(lambda: stored(logbook) > 150)  # frames of several kB twice a second: the pty holds 4 kB
        screen.child.kill(15)
        wait_for(lambda: stands_still(logbook))


def stored(path: Path) -> int:
    with Logbook.open(path) as logbook:
        return logbook.rinse(1).rows


def stands_still(path: Path) -> bool:
    before = stored(path)
    time.sleep(0.5)  # ten readings of this meter, on a real clock
    return stored(path) == before


def wait_for(there: Callable[[], bool], every_s: float = 0.2) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not there():
        assert time.monotonic() < deadline
        time.sleep(every_s)
