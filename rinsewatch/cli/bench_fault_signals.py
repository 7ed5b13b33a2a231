"""Fault bench: signals at random moments, many of each (line 17 of the score table)."""

from __future__ import annotations

import random
import signal

from rinsewatch.cli.bench_fault_live import Watched
from rinsewatch.cli.bench_fault_program import stored, wait_for
from rinsewatch.cli.bench_fault_table import Bench, Outcome, fault
from rinsewatch.logbook.store import Logbook

_CODES = {signal.SIGINT: 130, signal.SIGTERM: 143, signal.SIGHUP: 129}
_MOST_MOMENT_S = 0.4


@fault(
    "X17",
    "signals",
    inject="SIGINT 100, SIGTERM 20, SIGHUP 20 times at random moments, SIGTSTP and SIGCONT 10 times, on a terminal",
    must="no stored row lost, the terminal as it was, the rinse open and verified; after SIGCONT recording goes on",
)
def signals(bench: Bench) -> Outcome:
    """Each in a program of its own, its meter sending all the while."""
    rng, words, held = random.Random(17), list[str](), True
    for number, code in _CODES.items():
        times = bench.often(100 if number is signal.SIGINT else 20, 2 if number is signal.SIGINT else 1)
        ends = [_ended_by(bench, number, rng, n) for n in range(times)]
        lost, right = sum(lost for _, lost, _ in ends), sum(found == code for found, _, _ in ends)
        restored = sum(plain for _, _, plain in ends)
        held = held and lost == 0 and right == restored == times
        words.append(f"{number.name} {times}: {right} exit {code}, {lost} rows lost, terminal restored {restored}")
    stops = bench.often(10, 1)
    went_on = sum(_stopped(bench, rng, n) for n in range(stops))
    words.append(f"SIGTSTP {stops}: {went_on} went on with every line")
    return Outcome(held and went_on == stops, "; ".join(words))


def _ended_by(bench: Bench, number: signal.Signals, rng: random.Random, count: int) -> tuple[int | None, int, bool]:
    """(exit code, rows that were stored before the signal and are not now, terminal as before and record sound)."""
    folder = bench.folder / f"{number.name}{count}"
    folder.mkdir()
    with Watched(folder, screen=True) as watched:
        watched.begun()
        watched.speak(rng.randint(0, 3), 0.01)
        watched.look(rng.uniform(0.0, _MOST_MOMENT_S))
        seen = stored(watched.path)
        watched.signal(number)
        code = watched.ended()
        watched.look(0.1)
        with Logbook.open(watched.path, create=False) as book:
            sound = book.rinse(1).unfinished and all(found.ok for found in book.verify_all())
        return code, max(0, seen - stored(watched.path)), watched.plain_again() and sound


def _stopped(bench: Bench, rng: random.Random, count: int) -> bool:
    """Stopped for a moment: every line sent meanwhile is there afterwards, and the next ones too."""
    folder = bench.folder / f"stop{count}"
    folder.mkdir()
    with Watched(folder, screen=True) as watched:
        begun = watched.begun()
        watched.look(rng.uniform(0.0, _MOST_MOMENT_S))
        watched.signal(signal.SIGTSTP)
        watched.speak(5, 0.1)
        watched.signal(signal.SIGCONT)
        watched.speak(5, 0.1)
        stored_all = wait_for(lambda: watched.look(0.1) is not None and watched.missing() == 0, 8.0, 0.1)
        return begun and stored_all and watched.process.poll() is None
