"""Fault bench: a meter fault laid over simulated rinses, and who calls a false endpoint on them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np

from rinsewatch import Rinse, Row, Verdict
from rinsewatch.cli.bench_fault_table import Bench
from rinsewatch.cli.bench_rinse import row_of, setup_of, target_of
from rinsewatch.cli.bench_score import FALSE_STOP
from rinsewatch.rinse.verdict import DOUBTED, HIDDEN, LASTING
from rinsewatch_sim.record import BenchRow, Record
from rinsewatch_sim.simulate import random_scenario, run

# Of the campaign's rinses. Rules came of 107, 156, 552 and 604 of them; the others were only run.
SEEDS_FROM = 220_000
_ROWS_AT_MOST = 2_500
ANSWER_S = 60.0  # what a person takes to look at a probe
KNOWN_US_CM = 500.0  # a water that every simulated meter reads with many steps
NAIVE = (1, 3, 10)  # the controls stop at so many readings in a row at or below the target

Laid = Callable[[BenchRow], Sequence[BenchRow]]
Maker = Callable[[Record, float, np.random.Generator], Laid]


@dataclass(frozen=True, slots=True)
class Played:
    """One rinse with a fault in it. ``false``: stopped with the true filtrate above 1.15 times the target.

    ``late``: portions past the true endpoint at the stop, ``delay_s`` the same in seconds (None: it never stopped);
    ``caught``: reading rows from the fault's start until the verdict was ``check`` (None: never); ``naive``: false
    stops of each control.
    ``verified``: what the tool says of its stop, as it is and after the meter was then dipped in a known water.
    """

    seed: int
    false: bool
    late: float | None
    caught: int | None
    naive: tuple[bool, ...]
    causes: frozenset[str]
    stalled: bool
    verified: tuple[bool, bool] = (False, False)
    delay_s: float | None = None

    @property
    def false_stop(self) -> bool:
        """The tool's own."""
        return self.false

    @property
    def naive_false(self) -> bool:
        """Of the first reading at or below the target."""
        return self.naive[0]


@lru_cache(maxsize=4)
def clean_record(seed: int) -> Record:
    """A sound simulated rinse that reaches its target, read by a meter on a line; same seed, same rinse."""
    rng = np.random.default_rng(SEEDS_FROM + seed)
    while True:
        scenario = random_scenario(rng, faults=(), hand_typed=False)
        record = run(scenario, rng)
        if reaches(record) and len(record.rows) <= _ROWS_AT_MOST:
            return record


def reaches(record: Record) -> bool:
    """Whether the filtrate falls to the target and does not end where a stop would be a false one.

    Caustic residue neutralises the carbonic acid of the rinse water: for one portion the filtrate may read less than
    that water does, and then rises to it again. Whose target lies in that dip cannot be rinsed to it.
    """
    target = target_of(record)
    return record.true_endpoint_ml(target) is not None and record.knots_us_cm[-1] <= FALSE_STOP * target


def play_laid(maker: Maker, seed: int, mid: float | None = None) -> Played:
    """Lay a fault over the rinse ``seed``, from ``mid`` of the readable way to the endpoint on (None: anywhere)."""
    record = clean_record(seed)
    rng = np.random.default_rng(SEEDS_FROM + 500_000 + seed)
    share = float(rng.uniform(0.2, 0.95)) if mid is None else mid
    start_s = _time_at(record, share)
    laid = maker(record, start_s, rng)
    rows = [(number, changed) for number, row in enumerate(record.rows) for changed in laid(row)]
    return _judge(record, rows, start_s, seed, laid)


def play_answered(seed: int) -> bool | None:
    """A sound rinse whose person, asked to look at the probe for a minute, does and confirms it.

    True: the stop is a false one; None: it never stops.
    """
    record = clean_record(seed)
    rinse, asked_s = Rinse(setup_of(record.scenario)), math.inf
    for number, raw in enumerate(record.rows):
        state = rinse.observe(_row(raw))
        if state.verdict is Verdict.STOP:
            return bool(record.settled_scale_us_cm[number] > FALSE_STOP * target_of(record))
        asked_s = min(asked_s, raw.time_s) if state.verdict is Verdict.CHECK else math.inf
        if raw.time_s - asked_s > ANSWER_S:
            rinse.observe(Row(raw.time_s, event="note: probe confirmed"))
    return None


def _time_at(record: Record, share: float) -> float:
    """When so much of the water between coming into range and the endpoint has been poured."""
    end_ml = record.true_endpoint_ml(target_of(record)) or 0.0
    begin_ml = min(record.in_range_ml(), end_ml)
    row = int(np.searchsorted(record.poured_ml, begin_ml + share * (end_ml - begin_ml), side="right")) - 1
    return record.rows[max(row, 0)].time_s


def _judge(record: Record, rows: Sequence[tuple[int, BenchRow]], start_s: float, seed: int, laid: Laid) -> Played:
    target = target_of(record)
    above = record.settled_scale_us_cm > FALSE_STOP * target
    rinse = Rinse(setup_of(record.scenario))
    stop, caught, causes, stalled = _tool(rinse, rows, start_s)
    naive = [naive_stop(record, rows, target, count) for count in NAIVE]
    return Played(
        seed=seed,
        false=stop is not None and bool(above[stop]),
        late=None if stop is None else _late(record, stop, target),
        caught=caught,
        naive=tuple(row is not None and bool(above[row]) for row in naive),
        causes=causes,
        stalled=stalled,
        delay_s=None if stop is None else _delay_s(record, stop, target),
        verified=(False, False) if stop is None else (rinse.state.verified, _then_verified(rinse, record, stop, laid)),
    )


def _then_verified(rinse: Rinse, record: Record, stop: int, laid: Laid) -> bool:
    """Whether a reading in a water known to be at KNOWN_US_CM, through the fault, makes the stop a verified one."""
    meter, row = record.scenario.meter, record.rows[stop]
    for shown in laid(replace(row, reading=meter.show(KNOWN_US_CM), event="")):
        should = f"{meter.show(KNOWN_US_CM)} {row.unit}"
        rinse.observe(Row(row.time_s, event=f"note: known = {should}, read {shown.reading} {shown.unit}"))
    return rinse.state.verified


def _tool(
    rinse: Rinse, rows: Sequence[tuple[int, BenchRow]], start_s: float
) -> tuple[int | None, int | None, frozenset[str], bool]:
    """Where the tool stops; readings until ``check`` after the fault's start; causes given; was it called stalled."""
    since, caught, causes, stalled = 0, None, set[str](), False
    for number, raw in rows:
        row = _row(raw)
        state = rinse.observe(row)
        stalled = stalled or state.verdict is Verdict.STALLED
        if raw.time_s >= start_s:
            since += row.has_reading
            causes.add(state.cause)
            causes.update(word for word in (HIDDEN, DOUBTED, LASTING) if word in state.reason)
            caught = since if caught is None and state.verdict is Verdict.CHECK else caught
        if state.verdict is Verdict.STOP:
            return number, caught, frozenset(causes), stalled
    return None, caught, frozenset(causes), stalled


def _row(raw: BenchRow) -> Row:
    """As ``row_of``; a negative number is no reading for the drivers either."""
    row = row_of(raw)
    return row if row.reading is None or row.reading >= 0 else Row(row.time_s, row.rinse_ml)


def naive_stop(record: Record, rows: Sequence[tuple[int, BenchRow]], target_us_cm: float, count: int) -> int | None:
    """The control: ``count`` numbers in a row at or below the target, whatever they mean."""
    run_length = 0
    for number, row in rows:
        if row.reading in ("", "over"):
            continue
        factor = record.scenario.meter.tds_factor if row.unit == "ppm" else 1.0
        run_length = run_length + 1 if float(row.reading) / factor <= target_us_cm else 0
        if run_length >= count:
            return number
    return None


def _late(record: Record, stop: int, target_us_cm: float) -> float:
    below = record.first_below_ml(target_us_cm) or 0.0
    return (float(record.poured_ml[stop]) - below) / record.scenario.portion_ml


def _delay_s(record: Record, stop: int, target_us_cm: float) -> float:
    """From the moment the filtrate is there (portions: the first that is, drained) to the stop; below 0: before."""
    first = int(np.flatnonzero(record.settled_scale_us_cm <= target_us_cm)[0])
    drained = int(np.searchsorted(record.poured_ml, record.poured_ml[first], side="right")) - 1
    return record.rows[stop].time_s - record.rows[drained].time_s


def campaign(maker: Maker, bench: Bench, mid: float | None = None) -> list[Played]:
    """The fault on as many rinses as the bench asks for."""
    seeds = range(bench.many(bench.runs, 2))
    if bench.jobs == 1 or len(seeds) < 8:
        return [play_laid(maker, seed, mid) for seed in seeds]
    with ProcessPoolExecutor(bench.jobs) as pool:
        return list(pool.map(partial(play_laid, maker, mid=mid), seeds, chunksize=4))


def counts(played: Sequence[Played]) -> str:
    """In words."""
    false = sum(one.false for one in played)
    never = sum(one.late is None for one in played)
    caught = [one.caught for one in played if one.caught is not None]
    doubted = f"doubted in {len(caught)}" if caught else "never doubted"
    seeds = ", ".join(str(one.seed) for one in played if one.false)
    where = f" (rinses {seeds})" if 0 < false <= 10 else ""
    return f"{false} false stops of {len(played)}{where}, {doubted}, {never} never stopped"


def naive_counts(played: Sequence[Played]) -> tuple[str, bool | None]:
    """The controls' false stops in words; True if the plainest one failed, None where it had no occasion."""
    found = [sum(one.naive[which] for one in played) for which in range(len(NAIVE))]
    words = ", ".join(f"{count} below: {false}" for count, false in zip(NAIVE, found, strict=True))
    return f"false stops of controls, {words}", True if found[0] else None
