"""The end of a rinse, and the next one's beginning, with the real program: summary, questions, resin, continue."""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from rinsewatch.cli.bench_fault_program import run_program
from rinsewatch.logbook.records import New, Records
from rinsewatch.logbook.rinsesummary import RinseFigures, record_summary, rinse_figures, summary_figures
from rinsewatch.logbook.store import Logbook

if sys.platform == "win32":
    pytest.skip("pexpect needs a POSIX terminal", allow_module_level=True)

from onterminal import Terminal, terminal

UTC = "2026-06-01T10:00:00.000Z"
POUR = ["--portion-ml", "500", "--residue", "NaOH", "--endpoint", "feed", "--feed", "9 ppm", "--rinse-water", "0 ppm"]
HAND = ["--port", "hand", *POUR]
# The README's recording: invented.
READINGS = ("over", "6810", "2260", "790", "284", "108", "44", "19", "9", "4")
LINES = [f"p\n= {reading} ppm\n" for reading in READINGS]
FIGURES = RinseFigures(
    resin_ml=500, residue="NaOH", endpoint="feed", used_ml=5000, endpoint_ml=4500, slow_share=0.08, entrained_share=0.45
)


def with_resin(folder: Path, earlier: int = 0) -> None:
    """A logbook with the resin blue, its batch b7, and some earlier rinses of it."""
    with Logbook.open(folder / "logbook.sqlite") as book:
        records = Records(book, date(2026, 6, 1))
        records.add([New("resin", {"name": "blue", "volume_ml": "500", "kind": "anion"})], UTC)
        records.add([New("batch", {"name": "b7", "resin": "blue", "date": "2026-05-30"})], UTC)
        for number in range(1, earlier + 1):
            settings = {"portion_ml": 500, "residue": "NaOH", "endpoint": "feed", "resin_ml": 500}
            with book.begin_rinse(settings, "blue", UTC) as writer:
                writer.close_rinse("finished", "stop", utc=UTC)
            record_summary(book, number, UTC, replace(FIGURES, entrained_share=0.45 + number / 1000))


def watched(folder: Path, typed: str, *options: str) -> tuple[int, str, str]:
    """The program without a terminal: exit code, stdout, stderr. A question at its end would meet the time limit."""
    return run_program(folder, "watch", *options, typed=typed)


def summaries(folder: Path) -> list[dict[str, object]]:
    with Logbook.open(folder / "logbook.sqlite") as book:
        return [dict(item.fields) for item in book.ledger.items("summary")]


def test_a_finished_rinse_leaves_its_summary_as_a_replay_would_find_it(tmp_path: Path) -> None:
    """With a mistyped reading taken back: what is stored is what a replay without it comes to."""
    with_resin(tmp_path)
    typed = "".join([*LINES[:4], "= 1 ppm\nu\n", *LINES[4:], "q\n"])
    code, out, err = watched(tmp_path, typed, *HAND, "--resin", "blue", "--plain")
    assert code == 0, err
    (summary,) = summaries(tmp_path)
    assert (summary["rinse"], summary["resin"], summary["used_ml"], summary["resin_ml"]) == (1, 1, 5000, 500)
    assert summary["endpoint_ml"] in (4500, 5000) and "STOP" in out
    with Logbook.open(tmp_path / "logbook.sqlite") as book:
        again = rinse_figures(book.rows(1), book.rinse(1).settings)
        stored = summary_figures(book.ledger.items("summary")[0])
    assert stored.slow_share == pytest.approx(again.slow_share, rel=1e-3)
    assert stored.entrained_share == pytest.approx(again.entrained_share, rel=1e-3)
    assert stored.endpoint_ml == again.endpoint_ml


def test_a_rinse_cut_short_is_continued_with_its_resin_batch_and_start(tmp_path: Path) -> None:
    with_resin(tmp_path, earlier=3)
    first = ["--resin", "blue", "--batch", "b7", "--json"]
    code, _, err = watched(tmp_path, "".join(LINES[:4]), *HAND, *first)
    assert (code, len(summaries(tmp_path))) == (0, 3), "an unfinished rinse has no summary yet"
    assert "forecast starts from 3 earlier rinses of blue: entrained 0.3" in err
    code, _, err = watched(tmp_path, "".join([*LINES[4:], "q\n"]), "--port", "hand", "--continue", "--json")
    assert code == 0, err
    assert "forecast starts from 3 earlier rinses of blue" in err, "as it began"
    found = summaries(tmp_path)
    assert [one["rinse"] for one in found] == [1, 2, 3, 4]
    assert (found[3]["resin"], found[3]["used_ml"]) == (1, 5000)
    with Logbook.open(tmp_path / "logbook.sqlite") as book:
        info = book.rinse(4)
    assert (info.batch, info.settings["resin"], info.settings["earlier_rinses"]) == ("b7", "blue", 3)


def test_a_rinse_without_a_reading_leaves_no_summary(tmp_path: Path) -> None:
    code, _, err = watched(tmp_path, "p\nq\n", *HAND, "--resin-ml", "500", "--json")
    assert (code, summaries(tmp_path)) == (0, []), err


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--resin", "red"], "--resin: there is no resin 'red'"),
        (["--resin", "grey"], "resin grey is a mixed bed: how much of it is rinsed?"),
        (["--resin", "blue", "--continue"], "leave --resin or --continue out"),
    ],
)
def test_a_resin_that_does_not_do_is_one_line(tmp_path: Path, options: list[str], words: str) -> None:
    with_resin(tmp_path)
    with Logbook.open(tmp_path / "logbook.sqlite") as book:
        Records(book, date.max).add([New("resin", {"name": "grey", "volume_ml": "1 L", "kind": "mixed"})], UTC)
    code, _, err = watched(tmp_path, "", *HAND, *options, "--json")
    assert code == 2 and words in err and len(err.splitlines()) == 1
    with Logbook.open(tmp_path / "logbook.sqlite") as book:
        assert book.rinses() == []


# ---- on a terminal -------------------------------------------------------------------------------


def slowly(screen: Terminal, text: str) -> None:
    for key in text:
        screen.child.send(key)
        time.sleep(0.02)  # a hand, not a paste


def finish_after_one_reading(screen: Terminal) -> None:
    screen.shows("p portion")
    slowly(screen, "p")
    screen.shows("portion 1:")
    slowly(screen, "=900 ppm")
    screen.shows("900 ppm_")  # with the Enter it would be a paste, were they all read at once
    slowly(screen, "\r")
    screen.shows("about 1800")
    slowly(screen, "q")
    screen.shows("Finish the rinse? y/n")


def test_the_resin_is_asked_for_and_its_volume_is_the_default(tmp_path: Path) -> None:
    with_resin(tmp_path, earlier=2)
    with terminal(tmp_path, "watch", "--port", "hand") as screen:
        for words, answer in (
            ("Resin in the logbook (blue; none) [none]", "bleu"),
            ("did you mean 'blue'?", "blue"),
            ("Resin volume, mL [500]", ""),
            ("One portion of rinse water", "500"),
            ("Rinsing out", "NaOH"),
            ("Stop at", "feed"),
            ("Feed water", "9 ppm"),
            ("Rinse water", "0 ppm"),
            ("fresh from its cartridge", "fresh"),
            ("Largest reading", ""),
            ("TDS factor", ""),
        ):
            screen.child.expect_exact(words)
            screen.child.expect_exact(": ")
            screen.child.sendline(answer)
        screen.shows("forecast starts from 2 earlier rinses of blue")
        finish_after_one_reading(screen)
        slowly(screen, "yqq")  # a hand that is quicker than the end: no answers
        screen.shows("What comes next with this resin (Enter: skip)")
        screen.child.sendline("acid tomorrow")
        screen.shows("Anything to note")
        screen.child.sendline("  some   beads lost ")
        assert screen.end() == 0
    last = summaries(tmp_path)[-1]
    assert (last["next_step"], last["remark"], last["resin"]) == ("acid tomorrow", "some beads lost", 1)


def test_ctrl_c_at_the_last_question_loses_nothing(tmp_path: Path) -> None:
    with terminal(tmp_path, "watch", *HAND, "--resin-ml", "500") as screen:
        finish_after_one_reading(screen)
        slowly(screen, "y")
        screen.shows("What comes next")
        screen.child.sendline("acid")
        screen.shows("Anything to note")
        screen.child.sendintr()
        assert screen.end() == 0
    (summary,) = summaries(tmp_path)
    assert (summary["next_step"], summary["used_ml"]) == ("acid", 500)
    with Logbook.open(tmp_path / "logbook.sqlite") as book:
        assert book.rinse(1).end_reason == "finished"


@pytest.mark.parametrize("options", [["--until-endpoint"], ["--plain"]])
def test_what_may_run_by_itself_is_not_held_up_on_a_terminal(tmp_path: Path, options: list[str]) -> None:
    with terminal(tmp_path, "watch", *HAND, "--resin-ml", "500", *options) as screen:
        if "--plain" in options:
            screen.child.expect_exact("WAITING")
            screen.child.send("p\n= 900 ppm\nq\n")
        else:
            finish_after_one_reading(screen)
            slowly(screen, "y")
        assert screen.end() == (5 if "--until-endpoint" in options else 0)
    assert "What comes next" not in screen.raw
    assert len(summaries(tmp_path)) == 1


def test_the_plan_stands_beside_what_was_used(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(
        '[rinse.NaOH]\nresin_ml = 500\nportion_ml = 500\nresidue = "NaOH"\nendpoint = "feed"\nfeed = "9 ppm"\n'
        'rinse_water = "0 ppm"\nplanned_portions = 12\nplanned_portions_low = 8\nplanned_ml = 6000\n'
    )
    code, out, err = watched(tmp_path, "".join([*LINES, "q\n"]), "--port", "hand", "--plan", str(plan))
    assert code == 0, err
    assert "planned 12 (8 or more) portions of 500 mL, 6.00 L of DI water; used 10 portions, 5.00 L" in out


def test_a_rinse_left_half_way_says_the_endpoint_is_not_reached(tmp_path: Path) -> None:
    code, out, _ = watched(tmp_path, "".join(LINES[:3]), *HAND, "--resin-ml", "500", "--plain")
    assert code == 0
    assert "rinse 1 input ended: 1500 mL poured; the endpoint is not reached" in out
    assert "BROKEN OFF" in out and "FINISHED" not in out
