"""A reading typed by mistake: struck from what the core knows, kept in the record, replayed alike."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from test_session_live import NOW, PORTIONS, Onlooker

from rinsewatch.cli.bench_fault_program import run_program
from rinsewatch.cli.main import run
from rinsewatch.logbook import struck
from rinsewatch.logbook.settings import settings_from_setup
from rinsewatch.logbook.store import Logbook
from rinsewatch.logbook.struck import strike_note, struck_number
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.session import retract
from rinsewatch.session.commands import Command, Pour, Typed, Undo
from rinsewatch.session.live import LiveRinse, Policy
from rinsewatch.session.pouring import begin_pouring, rebuild_pouring
from rinsewatch.session.recorder import Recorder
from rinsewatch.session.retract import Retracting
from rinsewatch.session.stamp import Stamp
from rinsewatch_drivers.clock import SystemClock
from rinsewatch_drivers.hand import parse_hand


def reading(value: float, time_s: float = 0.0) -> Row:
    return Row(time_s, 250.0, Mark.VALUE, value, "uS/cm", 0)


def typed(text: str) -> Typed:
    return Typed(parse_hand(text, clock=SystemClock()))


class Bench:
    """A rinse typed by hand over a real logbook."""

    def __init__(self, path: Path) -> None:
        self.logbook = Logbook.open(path)
        self.cores: list[Onlooker] = []
        writer = self.logbook.begin_rinse(settings_from_setup(PORTIONS), "", "2026-01-31T12:00:00.000Z")
        self.live = LiveRinse(
            PORTIONS, Retracting(self._core), Recorder(writer), begin_pouring(250.0, None), Policy(), by_hand=True
        )
        self._time_s = 0.0

    def _core(self) -> Onlooker:
        self.cores.append(Onlooker())
        return self.cores[-1]

    def do(self, *commands: Command) -> None:
        for command in commands:
            self._time_s += 10.0
            self.live.take([(command, Stamp(self._time_s, NOW, self._time_s))])

    def record(self) -> list[tuple[str, float | None]]:
        return [(row.event, row.reading) for row in self.logbook.rows(1)]

    def seen(self) -> list[float]:
        return [row.reading for row in self.cores[-1].rows if row.reading is not None]


def test_undo_takes_back_what_came_last_and_the_record_keeps_it(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "l.sqlite")
    bench.do(Pour(), typed("900 uS/cm"), Pour(), typed("125 ppm"))
    bench.do(Undo())
    shown = bench.live.snapshot()
    assert "reading 125 ppm taken back" in shown.message
    assert (shown.last_shown, shown.last_shown_s) == ("900 uS/cm", 20.0)
    assert [point.us_cm for point in shown.history] == [900.0]
    assert shown.portions == 2
    bench.do(Undo())
    assert bench.live.snapshot().portions == 1, "then the portion before it"
    bench.do(Undo())
    assert bench.live.snapshot().last_shown == ""
    assert bench.seen() == []
    events = [
        ("portion", None), ("", 900.0), ("portion", None), ("", 125.0), ("note: struck row 4 (125 ppm)", None),
        ("undo", None), ("note: struck row 2 (900 uS/cm)", None),
    ]  # fmt: skip
    assert bench.record() == events
    assert [result.ok for result in bench.logbook.verify_all()] == [True, True]


def test_a_stop_on_a_mistyped_reading_is_taken_back(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "l.sqlite")
    bench.do(Pour(), typed("900 uS/cm"), typed("9 uS/cm"))
    state = bench.live.state
    assert state is not None and state.verdict.value == "stop"
    bench.do(Undo(), typed("890 uS/cm"))
    state = bench.live.state
    assert state is not None and state.verdict.value == "rinse"
    assert bench.seen() == [900.0, 890.0]


def test_two_commands_in_one_go_strike_the_right_row(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "l.sqlite")
    stamp = Stamp(1.0, NOW, 1.0)
    bench.live.take([(item, stamp) for item in (Pour(), typed("125 ppm"), Undo(), typed("12.5 ppm"))])
    assert bench.record()[2] == ("note: struck row 2 (125 ppm)", None)
    assert bench.seen() == [12.5]


def test_a_continued_rinse_can_still_take_back(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "l.sqlite")
    bench.do(Pour(), typed("900 uS/cm"), typed("125 ppm"), Undo(), typed("88 uS/cm"))
    writer, rows = bench.logbook.continue_rinse(1)
    pouring = rebuild_pouring(begin_pouring(250.0, None), rows)
    bench.live = LiveRinse(PORTIONS, Retracting(bench._core), Recorder(writer), pouring, Policy(), by_hand=True)
    bench.live.restore(rows, typed={2, 3, 5})
    assert bench.live.snapshot().last_shown == "88 uS/cm", "the last reading is back on the screen"
    bench.do(Undo(), Undo(), Undo())
    notes = [event for event, _ in bench.record()][-3:]
    assert notes == ["note: struck row 5 (88 uS/cm)", "note: struck row 2 (900 uS/cm)", "undo"]


def test_with_a_meter_undo_is_for_portions_only(tmp_path: Path) -> None:
    with Logbook.open(tmp_path / "l.sqlite") as logbook:
        writer = logbook.begin_rinse(settings_from_setup(PORTIONS), "", "2026-01-31T12:00:00.000Z")
        live = LiveRinse(PORTIONS, Retracting(Onlooker), Recorder(writer), begin_pouring(250.0, None), Policy())
        live.take([(item, Stamp(1.0, NOW, 1.0)) for item in (Pour(), typed("900 uS/cm"), Undo())])
        assert [row.event for row in logbook.rows(1)] == ["portion", "", "undo"]


@pytest.mark.parametrize(
    "event", ["note: struck row 1 (x)", "note: struck row 0", "note: struck row 99", "note: struck"]
)
def test_a_strike_of_no_reading_is_an_ordinary_note(event: str) -> None:
    core = Retracting(Onlooker)
    core.observe(Row(0.0, 250.0, event="portion"))
    core.observe(reading(900.0))
    core.observe(Row(1.0, 250.0, event=event))
    assert core.again is None


def test_a_rinse_of_very_many_rows_is_not_seen_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(retract, "MOST_ROWS", 5)
    monkeypatch.setattr(struck, "MOST_ROWS", 5)
    core = Retracting(Onlooker)
    for number in range(5):
        core.observe(reading(900.0, number))
    core.observe(Row(9.0, 250.0, event="note: struck row 1 (900 uS/cm)"))
    assert core.again is None


def test_the_note_is_read_as_it_is_written() -> None:
    assert struck_number(strike_note(12, "125 ppm")) == 12
    assert struck_number("note: struck row 12 times") is None


def test_watch_and_replay_agree_over_a_strike(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The real program, readings typed on stdin; 12.5 mistyped as 125 on the way down."""
    options = ["--resin-ml", "500", "--portion-ml", "500", "--residue", "NaOH", "--endpoint", "9 ppm", "--json"]
    lines = "p\n= 6810 ppm\np\n= 2260 ppm\np\n= 790 ppm\np\n= 2840 ppm\nu\n= 284 ppm\np\n= 108 ppm\nq\n"
    code, out, err = run_program(tmp_path, "watch", "--port", "hand", *options, typed=lines)
    assert code == 0, err
    watched = [json.loads(line) for line in out.splitlines()]
    assert [line["row"] for line in watched] == [2, 4, 6, 8, 10, 12]
    csv = tmp_path / "r.csv"
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        logbook.export(1, csv)
    assert ",2840,ppm," in csv.read_text()
    assert run(["replay", "--json", str(csv)]) == 0
    replayed = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [line | {"file": str(csv)} for line in watched] == replayed
    assert run(["replay", str(csv)]) == 0
    assert "6 readings (1 taken back)" in capsys.readouterr().out
    without = [row for row in csv.read_text().splitlines() if ",2840," not in row and "struck" not in row]
    csv.write_text("\n".join(without))
    assert run(["replay", "--json", str(csv)]) == 0
    last = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert last["remaining_ml"] == replayed[-1]["remaining_ml"], "as if it had never been typed"


def test_a_typed_reading_in_another_unit_is_counted_and_remarked_on(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "logbook.sqlite")
    words = "14 uS/cm: the reading before was in ppm; if the display still is, take this one back (u)"
    bench.do(Pour(250.0), typed("900 ppm"), Pour(250.0), typed("28 ppm"))
    assert not any("before was in" in said for _, said in bench.live.snapshot().said)
    bench.do(typed("14 uS/cm"))
    assert words in [said for _, said in bench.live.snapshot().said]
    bench.do(typed("13 uS/cm"))  # told once: the next is in the unit of the one before
    assert sum("before was in" in said for _, said in bench.live.snapshot().said) == 1
    assert [value for _, value in bench.record() if value is not None] == [900.0, 28.0, 14.0, 13.0]
