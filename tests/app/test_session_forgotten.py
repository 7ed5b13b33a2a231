"""A portion forgotten to be told: asked for when the next one is, put in at its own time, replayed alike."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_session_live import NOW, PORTIONS, Onlooker

from rinsewatch.logbook.settings import settings_from_setup
from rinsewatch.logbook.store import Logbook
from rinsewatch.logbook.struck import corrected, corrects, forgotten_note, forgotten_portion, strike_note
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.state import RinseState
from rinsewatch.session.commands import Answer, Command, Pour, Typed, Undo
from rinsewatch.session.live import LiveRinse, Policy
from rinsewatch.session.pouring import begin_pouring, rebuild_pouring
from rinsewatch.session.recorder import Recorder
from rinsewatch.session.retract import Retracting
from rinsewatch.session.stamp import Stamp
from rinsewatch_drivers.clock import SystemClock
from rinsewatch_drivers.hand import parse_hand


class Doubting(Onlooker):
    """Calls a reading too low when it is below 600 although less than 500 mL was poured."""

    def observe(self, row: Row) -> RinseState:
        state = super().observe(row)
        low = row.reading is not None and row.reading < 600.0 and (row.rinse_ml or 0.0) < 500.0
        return replace(state, cause="low" if low else "")


class Bench:
    def __init__(self, path: Path) -> None:
        self.logbook, self.cores = Logbook.open(path), list[Doubting]()
        writer = self.logbook.begin_rinse(settings_from_setup(PORTIONS), "", "2026-01-31T12:00:00.000Z")
        pouring = begin_pouring(250.0, None)
        self.live = LiveRinse(PORTIONS, Retracting(self._core), Recorder(writer), pouring, Policy())

    def _core(self) -> Doubting:
        self.cores.append(Doubting())
        return self.cores[-1]

    def do(self, time_s: float, *items: Command) -> None:
        self.live.take([(item, Stamp(time_s, NOW, time_s)) for item in items])

    def read(self, time_s: float, value: float) -> None:
        self.do(time_s, Typed(parse_hand(f"{value} uS/cm", clock=SystemClock())))

    def forget_one(self) -> None:
        """Poured at about 300 s, told at 480 s only."""
        self.do(0.0, Pour())
        for time_s, value in ((100.0, 900.0), (200.0, 880.0), (310.0, 500.0), (400.0, 490.0)):
            self.read(time_s, value)
        self.do(480.0, Pour(keyed=True))

    def seen(self) -> list[tuple[float, float | None, str]]:
        return [
            (row.time_s, row.rinse_ml, row.event) for row in self.cores[-1].rows if not row.event.startswith("note")
        ]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path / "l.sqlite")


def test_yes_puts_it_in_when_the_readings_fell(bench: Bench) -> None:
    bench.forget_one()
    assert bench.live.snapshot().question == "was it poured 3 min ago, when the readings fell (y), or just now (n)?"
    assert bench.live.snapshot().portions == 1
    bench.do(485.0, Answer(True))
    shown = bench.live.snapshot()
    assert (shown.portions, shown.rinse_ml, shown.question) == (2, 500.0, "")
    assert [row.event for row in bench.logbook.rows(1)][-1] == "note: portion of 250 mL was poured at 310 s"
    wanted = [(0.0, 250.0, "portion"), (100.0, 250.0, ""), (200.0, 250.0, ""), (310.0, 500.0, "portion")]
    assert bench.seen() == [*wanted, (310.0, 500.0, ""), (400.0, 500.0, "")]
    bench.read(500.0, 480.0)
    bench.do(600.0, Pour(keyed=True))
    assert (bench.live.snapshot().question, bench.live.snapshot().rinse_ml) == ("", 750.0), "nothing is low any more"


def test_no_counts_it_now(bench: Bench) -> None:
    bench.forget_one()
    bench.do(485.0, Answer(False))
    assert [row.event for row in bench.logbook.rows(1)][-1] == "portion"
    assert bench.live.snapshot().rinse_ml == 500.0 and len(bench.cores) == 1


def test_whoever_tells_it_at_once_is_not_asked(bench: Bench) -> None:
    bench.do(0.0, Pour())
    for time_s, value in ((100.0, 900.0), (310.0, 500.0)):
        bench.read(time_s, value)
    bench.do(330.0, Pour(keyed=True))
    assert (bench.live.snapshot().question, bench.live.snapshot().rinse_ml) == ("", 500.0)


def test_undo_takes_it_out_again_and_a_restart_knows_all_of_it(bench: Bench) -> None:
    bench.forget_one()
    bench.do(485.0, Answer(True))
    bench.do(600.0, Pour())
    rows = bench.logbook.rows(1)
    pouring = rebuild_pouring(begin_pouring(250.0, None), rows)
    assert (pouring.count, pouring.rinse_ml(0.0)) == (3, 750.0)
    before = list(bench.cores[-1].rows)
    again = Retracting(bench._core)
    for row in rows:
        again.observe(row)
    assert bench.cores[-1].rows == before
    bench.do(610.0, Undo(), Undo())
    assert bench.live.snapshot().rinse_ml == 250.0
    assert [volume for _, volume, event in bench.seen() if not event] == [250.0] * 4, "as if it had never been told"


@given(
    st.lists(st.sampled_from(["portion", "late", "reading", "undo"]), max_size=30),
    st.lists(st.floats(0.0, 0.999), min_size=30, max_size=30),
)
def test_whatever_is_told_volumes_end_alike_and_no_reading_is_lost(acts: list[str], shares: list[float]) -> None:
    rows, told_ml = [Row(0.0, 0.0, Mark.VALUE, 900.0, "uS/cm", 0)], list[float]()
    for number, (act, share) in enumerate(zip(acts, shares, strict=False), start=1):
        time_s, event = 10.0 * number, act if act in ("portion", "undo") else ""
        if act == "undo" and not told_ml:
            continue
        if act == "late":
            event = forgotten_note(250.0, round(share * time_s, 3))
        told_ml = told_ml[:-1] if act == "undo" else told_ml + [250.0] * (act != "reading")
        row = Row(time_s, sum(told_ml), event=event)
        rows.append(row if event else replace(row, mark=Mark.VALUE, reading=800.0, unit="uS/cm", decimals=0))
    meant = corrected(rows)
    assert [row.time_s for row in meant] == sorted(row.time_s for row in meant)
    assert meant[-1].rinse_ml == sum(told_ml)
    assert sum(row.has_reading for row in meant) == sum(row.has_reading for row in rows)
    late = sum(forgotten_portion(row.event) is not None for row in rows)
    assert late or meant == rows


@pytest.mark.parametrize(
    "event", ["note: portion of x mL was poured at 3 s", "note: portion of 250 mL was poured at 1e3 s", "portion"]
)
def test_other_words_put_nothing_in(event: str) -> None:
    rows = [Row(0.0, 0.0, Mark.VALUE, 9.0, "ppm", 0), Row(5.0, 250.0, event=event)]
    assert forgotten_portion(event) is None and not corrects(rows) and corrected(rows) == rows
    assert corrects([*rows, Row(6.0, 250.0, event=strike_note(1, "9 ppm"))])
