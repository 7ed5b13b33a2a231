"""Fault bench: the person's slips (rows O01-O04, O06, O15)."""

from __future__ import annotations

import random
from dataclasses import replace

from rinsewatch import Rinse, Row, Verdict
from rinsewatch.cli.bench_fault_live import PORTIONS
from rinsewatch.cli.bench_fault_program import run_program
from rinsewatch.cli.bench_fault_rig import Recording, VirtualClock
from rinsewatch.cli.bench_fault_rinses import first_stop, is_false, portions_record
from rinsewatch.cli.bench_fault_table import Bench, Outcome, fault
from rinsewatch.cli.bench_rinse import row_of, setup_of
from rinsewatch.logbook.struck import forgotten_note
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup
from rinsewatch.session.commands import Answer, Pour, SetPortion, Undo
from rinsewatch.session.desk import Desk
from rinsewatch.session.pouring import FORGOTTEN_S, begin_pouring, rebuild_pouring
from rinsewatch.session.retract import Retracting
from rinsewatch.session.stamp import Stamp
from rinsewatch_sim.record import Record
from rinsewatch_sim.scenario import Scenario


@fault(
    "O01",
    "portion key twice",
    inject="two keys 0.1, 1.9, 2.1 s apart",
    must="within 2 s it asks, and counts only after yes",
)
def key_twice(bench: Bench) -> Outcome:
    """In virtual time."""
    asked, counted = [], []
    for number, gap_s in enumerate((0.1, 1.9, 2.1)):
        folder = bench.folder / str(number)
        folder.mkdir()
        clock = VirtualClock()
        recording = Recording(folder, clock)
        recording.take([Pour(keyed=True)])
        clock.wait(gap_s)
        recording.take([Pour(keyed=True)])
        shown = recording.live.snapshot()
        asked.append(bool(shown.question))
        counted.append(shown.portions)
        recording.close()
    held = asked == [True, True, False] and counted == [1, 1, 2]
    return Outcome(held, f"asked after 0.1, 1.9, 2.1 s: {asked}, counted {counted}")


@fault(
    "O02",
    "portion forgotten",
    inject="a portion poured and not told, anywhere in 20 simulated rinses",
    must="no false endpoint, the forecast finds back, the portion offered for insertion with its time",
)
def forgotten(bench: Bench) -> Outcome:
    """Once nobody ever tells it; once the person answers yes when asked whether it was poured as the readings fell."""
    seeds = range(bench.many(bench.runs, 6))  # not every forgotten portion makes a fall to ask about
    records = [portions_record(seed) for seed in seeds]
    told = [_without_one(record, seed) for record, seed in zip(records, seeds, strict=True)]
    never_told = [first_stop(record, rows) for record, rows in zip(records, told, strict=True)]
    put_in = [_put_in(record, rows) for record, rows in zip(records, told, strict=True)]
    stops = [never_told, [stop for stop, _, _ in put_in]]
    false = [sum(is_false(record, stop) for record, stop in zip(records, each, strict=True)) for each in stops]
    offered = sum(offer for _, offer, _ in put_in)
    believed = sum(fits for _, _, fits in put_in)
    figures = f"{false[0]} false stops of {len(records)}, {never_told.count(None)} never stopped; offered to be put in"
    figures += f" at its time in {offered}, then {false[1]} false stops, the next reading believed in {believed}"
    return Outcome(false == [0, 0] and believed == offered > 0, figures)


def _without_one(record: Record, seed: int) -> list[Row]:
    """The rows as they are recorded when one portion, neither the first nor the last, is not told."""
    poured = [number for number, row in enumerate(record.rows) if row.event == "portion"]
    lost = poured[1 + random.Random(seed).randrange(max(1, len(poured) - 2))] if len(poured) > 2 else -1
    rows = []
    for number, raw in enumerate(record.rows):
        row = row_of(raw)
        if number >= lost >= 0 and row.rinse_ml is not None:
            less = row.rinse_ml - record.scenario.portion_ml
            row = replace(row, rinse_ml=round(less, 3), event="" if number == lost else row.event)
        rows.append(row)
    return rows


def _put_in(record: Record, rows: list[Row]) -> tuple[int | None, bool, bool]:
    """Where it stops, whether the portion was offered to be put in, and whether readings were believed then."""
    rinse, portion_ml = Retracting(lambda: Rinse(setup_of(record.scenario))), record.scenario.portion_ml
    fell_s, put_in, believed = None, False, False
    for number, row in enumerate(rows):
        state = rinse.observe(_more(row, portion_ml) if put_in else row)
        if state.verdict is Verdict.STOP:
            return number, put_in, believed
        if row.has_reading:
            fell_s = (row.time_s if fell_s is None else fell_s) if state.cause == "low" else None
        if not put_in and fell_s is not None and row.time_s - fell_s >= FORGOTTEN_S:
            put_in, note = True, forgotten_note(portion_ml, fell_s)
            believed = rinse.observe(_more(Row(row.time_s, row.rinse_ml, event=note), portion_ml)).cause == ""
    return None, put_in, believed


def _more(row: Row, volume_ml: float) -> Row:
    return row if row.rinse_ml is None else replace(row, rinse_ml=round(row.rinse_ml + volume_ml, 3))


@fault(
    "O03",
    "undo, twice, after a restart",
    inject="random portions, undos, changed volumes, restarts: 2,000 sequences of 50 steps",
    must="the volume is the model's after every step",
)
def sequences(bench: Bench) -> Outcome:
    """The model is a list; a restart rebuilds the account from the record's rows alone."""
    rng, wrong, steps = random.Random(3), 0, 0
    control = 0
    for _ in range(bench.often(2_000, 150)):
        bad, done, doubled = _sequence(rng)
        wrong, steps, control = wrong + bad, steps + done, control + doubled
    figures = f"{wrong} of {steps} steps off the model"
    return Outcome(wrong == 0, figures, f"every press counted: {control} steps off", control > 0)


_SETUP = RinseSetup(resin_ml=500.0, residue=Residue.NAOH, endpoint=Endpoint.parse("12 uS/cm", 0.5), portion_ml=250.0)


def _sequence(rng: random.Random) -> tuple[int, int, int]:
    """Steps off the model, steps, and steps at which counting every press would be off."""
    pouring, model, pressed = begin_pouring(250.0, None), list[float](), list[float]()
    desk, rows, time_s, wrong, doubled = Desk(pouring, _SETUP), list[Row](), 0.0, 0, 0
    for _ in range(50):
        time_s += rng.choice([0.3, 5.0, 60.0])
        stamp = Stamp(time_s, VirtualClock().utc(), time_s)
        act = rng.choice(["pour", "pour", "pour", "undo", "portion", "restart"])
        if act == "restart":
            pouring = rebuild_pouring(begin_pouring(250.0, None), rows)
            desk = Desk(pouring, _SETUP)
            for row in rows:
                desk.restore(row)
        elif act == "undo":
            rows += _rows(desk, Undo(), stamp, pouring.rinse_ml)
            model[-1:] = []
            pressed[-1:] = []
        elif act == "portion":
            rows += _rows(desk, SetPortion(rng.choice([200.0, 250.0, 300.0])), stamp, pouring.rinse_ml)
        else:
            volume_ml = desk.usual_ml or 0.0
            rows += _rows(desk, Pour(keyed=True), stamp, pouring.rinse_ml)
            yes = not desk.question or rng.random() < 0.5
            if desk.question:
                rows += _rows(desk, Answer(yes), stamp, pouring.rinse_ml)
            model += [volume_ml] if yes else []
            pressed.append(volume_ml)
        wrong += abs(pouring.rinse_ml(time_s) - sum(model)) > 1e-6
        doubled += sum(pressed) != sum(model)
    return wrong, 50, doubled


def _rows(desk: Desk, command: Pour | Undo | SetPortion | Answer, stamp: Stamp, volume: object) -> list[Row]:
    """The events of a command as the record keeps them."""
    events = desk.handle(command, stamp).events
    return [Row(stamp.time_s, volume(stamp.time_s), event=event) for event in events]  # type: ignore[operator]


@fault(
    "O04",
    "wrong volume",
    inject="5000 mL and 25 mL typed where 250 mL is usual; the portion's volume set to 2.5 L",
    must="asks before it counts",
)
def decimal_slip(bench: Bench) -> Outcome:
    """A no leaves all as it was; a yes counts it."""
    recording = Recording(bench.folder, VirtualClock())
    asked = []
    for command in (Pour(5000.0), Pour(25.0), SetPortion(2500.0)):
        recording.take([command])
        asked.append(bool(recording.live.snapshot().question))
        recording.take([Answer(False)])
    before = recording.live.snapshot().rinse_ml
    recording.take([Pour(5000.0)])
    recording.take([Answer(True)])
    after = recording.live.snapshot().rinse_ml
    recording.close()
    return Outcome(
        all(asked) and (before, after) == (0.0, 5000.0),
        f"asked {sum(asked)}/3 times, {before:g} mL after no, {after:g} mL after yes",
    )


@fault(
    "O06",
    "pause over night",
    inject="12 h between two portions of simulated rinses",
    must="no false endpoint, not called frozen, the forecast goes on",
)
def night(bench: Bench) -> Outcome:
    """The slow liquid goes on leaking meanwhile."""
    false = frozen = never = 0
    seeds = range(bench.many(bench.runs, 2))
    for seed in seeds:
        record = portions_record(seed, _with_a_night)
        rinse, stop = Rinse(setup_of(record.scenario)), None
        for number, raw in enumerate(record.rows):
            state = rinse.observe(row_of(raw))
            frozen += state.cause == "frozen"
            if state.verdict is Verdict.STOP:
                stop = number
                break
        false, never = false + is_false(record, stop), never + (stop is None)
    return Outcome(
        false == 0 and frozen == 0,
        f"{false} false stops of {len(seeds)}, {frozen} readings called frozen, {never} never stopped",
    )


def _with_a_night(drawn: Scenario) -> Scenario:
    return drawn.changed(operator=replace(drawn.operator, pause_at=3, pause_s=43_200.0))


@fault(
    "O15",
    "wrong port, unfinished rinse of the same name",
    inject="a port that is not there, a file for a port, a second rinse of a batch still open",
    must="refused or asked, in one line",
)
def wrong_port(bench: Bench) -> Outcome:
    """Without a terminal nothing can be asked, so it must be said."""
    rinse = (*PORTIONS, "--plain", "--batch", "B1")
    missing = run_program(bench.folder, "watch", "--port", str(bench.folder / "none"), *rinse)
    wrong_file = bench.folder / "file"
    wrong_file.write_text("x")
    no_port = run_program(bench.folder, "watch", "--port", str(wrong_file), *rinse)
    run_program(bench.folder, "watch", "--port", "hand", *rinse, typed="p\n")
    again = run_program(bench.folder, "watch", "--port", "hand", *rinse, typed="q\n")
    told = "not finished" in again[2] or "not finished" in again[1] or "--continue" in again[2] + again[1]
    held = missing[0] == no_port[0] == 3 and "Traceback" not in missing[2] + no_port[2]
    lacking = "" if told else "without a terminal a second rinse of the same batch begins without a word"
    return Outcome(
        held, f"exit codes {missing[0]}, {no_port[0]}; unfinished rinse of the batch told: {told}", lacking=lacking
    )
