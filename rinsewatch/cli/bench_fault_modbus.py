"""Fault bench: Modbus frames with flipped bits, exceptions, late, wrong and reordered answers (rows S24-S28)."""

from __future__ import annotations

import random
import struct
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from rinsewatch.cli.bench_fault_campaign import Laid, campaign
from rinsewatch.cli.bench_fault_rig import (
    Cable,
    Script,
    VirtualClock,
    believed,
    cable_link,
    poll_for,
    profile_of,
    readings,
)
from rinsewatch.cli.bench_fault_table import Bench, Outcome, fault
from rinsewatch_drivers.errors import WireError
from rinsewatch_drivers.modbus import build_read, crc16, parse_response
from rinsewatch_drivers.modbus_source import ModbusClient, judge_registers
from rinsewatch_drivers.profile import Modbus
from rinsewatch_drivers.reading import Quality
from rinsewatch_drivers.word_order import WordOrderWatch
from rinsewatch_sim.modbus import sealed
from rinsewatch_sim.record import BenchRow, Record

_QUERY = build_read(1, 3, 0, 2)
_WARM: Script = [(0.02, sealed(bytes([1, 3, 4]) + struct.pack(">f", 24.8)))]  # the temperature's registers
_BODY = bytes([1, 3, 4]) + struct.pack(">f", 412.3)


def _accepted(response: bytes) -> bool:
    try:
        parse_response(_QUERY, response)
    except WireError:
        return False
    return True


@fault(
    "S24",
    "Modbus: flipped bits",
    inject="1 to 8 bits of a good reply flipped at random, 750,000 frames",
    must="none with 1 to 3 accepted, of 4 and more at most 2 in 10,000",
)
def flipped(bench: Bench) -> Outcome:
    """The control leaves the check sum out."""
    rng, frames = random.Random(24), bench.often(750_000, 40_000)
    frame, bits = int.from_bytes(_BODY + crc16(_BODY), "big"), 8 * (len(_BODY) + 2)
    tried, taken, loose = Counter[int](), Counter[int](), 0
    for number in range(frames):
        flips, bent = 1 + number % 8, frame
        for bit in rng.sample(range(bits), flips):
            bent ^= 1 << bit
        response = bent.to_bytes(bits // 8, "big")
        tried[flips] += 1
        taken[flips] += _accepted(response)
        loose += response[:3] == _BODY[:3]
    few = sum(taken[n] for n in (1, 2, 3))
    many, of = sum(taken[n] for n in range(4, 9)), sum(tried[n] for n in range(4, 9))
    figures = f"{few} of {tried[1] + tried[2] + tried[3]} with 1-3 flips accepted, {many} of {of} with 4-8"
    control = f"without the check sum {100 * loose / frames:.0f} % accepted"
    return Outcome(few == 0 and many <= max(2e-4 * of, 1), figures, control, loose > 0)


def _asked(answer: Callable[[bytes], Script], seconds: float) -> tuple[Cable, list[object], list[str]]:
    """A poller's questions, what it believed, and the causes it gave, over so many virtual seconds."""
    clock = VirtualClock()
    cable = Cable(clock, [], answer)
    happened = poll_for(cable_link(clock, cable, profile_of("modbus-float")), clock, seconds)
    return cable, list(believed(happened)), [reading.cause for reading in readings(happened)]


@fault(
    "S25",
    "Modbus exceptions",
    inject="the meter answers each query with exception 1, 2, 3, 4, 5, 6 or 8 for a minute",
    must="no reading; 5 and 6 asked less often, 1 to 3 seldom, each named",
)
def exceptions(bench: Bench) -> Outcome:
    """How often each is asked in 60 s; one a second would be the pace of a healthy meter."""
    asked, wrong, named = {}, 0, True
    for code in (1, 2, 3, 4, 5, 6, 8):
        reply = sealed(bytes([1, 0x83, code]))
        cable, values, causes = _asked(lambda query, reply=reply: [(0.01, reply)], 60.0)  # type: ignore[misc]
        asked[code], wrong = len(cable.written), wrong + len(values)
        named = named and set(causes) == {f"exception-{code}"}
    slow = all(asked[code] <= 8 for code in (1, 2, 3)) and all(asked[code] <= 15 for code in (5, 6))
    return Outcome(
        slow and named and not wrong and all(asked.values()),
        f"{wrong} readings; asked in 60 s: " + ", ".join(f"{code}: {count}" for code, count in asked.items()),
    )


@fault(
    "S26",
    "Modbus: late reply",
    inject="2 % of 20,000 replies come after the time-out, in the next query's window",
    must="none taken for the wrong query",
)
def late(bench: Bench) -> Outcome:
    """A register that counts the queries, so that each answer names its own."""
    queries = bench.often(20_000, 3_000)
    clock = VirtualClock()
    cable, sent = _counting_meter(clock)
    client, right, wrong, missed = ModbusClient(cable, 9600, 0.5, clock), 0, 0, 0
    for _ in range(queries):
        try:
            found = client.read_registers(1, 3, 0, 1) == (sent[-1],)
            right, wrong = right + found, wrong + (not found)
        except WireError:
            missed += 1
    naive = _without_flush(min(queries, 2_000))
    figures = f"{wrong} of {queries} taken wrongly, {right} right, {missed} asked again"
    control = f"without waiting out {naive} of {min(queries, 2_000)} wrong"
    return Outcome(wrong == 0 and right > 0.9 * queries, figures, control, naive > 0)


def _counting_meter(clock: VirtualClock) -> tuple[Cable, list[int]]:
    rng, sent = random.Random(26), list[int]()

    def answer(query: bytes) -> Script:
        sent.append(len(sent) % 65536)
        is_late = rng.random() < 0.02
        delay_s = 0.5 * rng.uniform(1.01, 1.95) if is_late else rng.uniform(0.01, 0.4)
        return [(delay_s, sealed(bytes([1, 3, 2]) + struct.pack(">H", sent[-1])))]

    return Cable(clock, [], answer), sent


def _without_flush(queries: int) -> int:
    """The control: write, read, believe."""
    clock = VirtualClock()
    cable, sent = _counting_meter(clock)
    query, wrong = build_read(1, 3, 0, 1), 0
    for _ in range(queries):
        cable.write(query)
        reply = cable.read(0.5)
        wrong += bool(reply) and parse_response(query, reply) != (sent[-1],)
    return wrong


@fault(
    "S27",
    "Modbus: wrong answers",
    inject="wrong slave, function or length, cut short, echo, a pause within the frame, bytes glued on",
    must="rejected and flagged, the next good answer read",
)
def wrong_answers(bench: Bench) -> Outcome:
    """Each kind for 20 queries, then a good meter for five."""
    good = sealed(bytes([1, 3, 4]) + struct.pack(">f", 412.3))
    kinds: dict[str, Callable[[bytes], Script]] = {
        "slave": lambda query: [(0.02, sealed(b"\2" + good[1:-2]))],
        "function": lambda query: [(0.02, sealed(b"\1\4" + good[2:-2]))],
        "length": lambda query: [(0.02, sealed(bytes([1, 3, 2]) + good[3:5]))],
        "cut short": lambda query: [(0.02, good[:6])],
        "echo": lambda query: [(0.01, query), (0.05, good)],
        "glued": lambda query: [(0.02, good + b"\0\0")],
    }
    wrong, flagged, back = list[object](), 0, 0
    for wire in kinds.values():
        values, causes, after = _then_good(wire, good)
        wrong += values
        flagged += len(causes)
        back += after
    paused = _asked(lambda query: [(0.02, good[:4]), (0.05, good[4:])] if query[3] == 0 else _WARM, 10.0)[1]
    held = not wrong and flagged >= 5 * len(kinds) and back == len(kinds)
    figures = (
        f"{len(wrong)} false readings of {len(kinds)} kinds, {flagged} frames flagged, {back}/6 read again after; "
    )
    figures += f"{len(paused)} read across a pause"
    return Outcome(held and set(paused) <= {412.3}, figures)


def _then_good(wire: Callable[[bytes], Script], good: bytes) -> tuple[list[object], list[str], bool]:
    """What was believed while the answers were wrong, the causes told, and whether good ones are read after it."""
    count = 0

    def answer(query: bytes) -> Script:
        nonlocal count
        count += 1
        if query[3]:
            return _WARM
        return wire(query) if count <= 20 else [(0.02, good)]

    clock = VirtualClock()
    link = cable_link(clock, Cable(clock, [], answer), profile_of("modbus-float"))
    bad = poll_for(link, clock, 12.0)
    after = poll_for(link, clock, 60.0)
    return list(believed(bad)), [r.cause for r in readings(bad)], bool(believed(after))


@fault(
    "S28",
    "float word order, scale changed",
    inject="words of the float swapped from the start or mid-rinse on; scale 0.01 for 0.1, simulated rinses",
    must="no endpoint on wrong numbers; gross ones flagged by the driver, the right order named",
)
def reordered(bench: Bench) -> Outcome:
    """What the driver sees as gross, whether it names the order, and what is left to the core."""
    spec = profile_of("modbus-float").modbus
    assert spec is not None
    values = np.geomspace(1.0, 5000.0, 2000)
    caught = sum(judge_registers(spec, _words(value)[::-1], None, 0).quality is Quality.BAD for value in values)
    runs = max(2, bench.runs // 2) if not bench.short else 2
    plans = ((_swapped, 0.5), (_swapped, 0.0), (_tenth, 0.5))
    plays = [campaign(maker, replace(bench, runs=runs), mid) for maker, mid in plans]
    stops = [sum(found.false for found in each) for each in plays]
    naive = sum(found.naive[0] for each in plays for found in each)
    streams = 20 if bench.short else 200
    named, after, false_hints = _order_named(streams)
    figures = f"false stops of {runs}: {stops[0]} words swapped in mid-rinse, {stops[1]} from the start, {stops[2]} at"
    figures += f" a tenth; the driver flags {100 * caught / len(values):.0f} % of swapped floats and names the order in"
    figures += f" {named} of {streams}, after {after} answers at most; for a sound meter in {false_hints}"
    held = not any(stops) and named == streams and false_hints == 0
    return Outcome(held, figures, f"first reading below: {naive} false", naive > 0)


def _words(value: float) -> tuple[int, ...]:
    return struct.unpack(">HH", struct.pack(">f", value))


def _order_named(streams: int) -> tuple[int, int, int]:
    """Streams of a rinse's readings with swapped words in which the order was named; answers it took; sound ones."""
    rng, named, most, false_hints = np.random.default_rng(28), 0, 0, 0
    spec = profile_of("modbus-float").modbus
    assert spec is not None
    for _ in range(streams):
        start, fall, decimals = rng.uniform(20.0, 5000.0), rng.uniform(0.002, 0.05), int(rng.integers(1, 4))
        shown = [round(float(start * np.exp(-fall * n) * rng.lognormal(0.0, 0.01)), decimals) for n in range(60)]
        after = _hint_after(spec, [_words(value)[::-1] for value in shown])
        named += after is not None
        most = max(most, after or 0)
        lifted = [0.0 if 20 <= n < 26 else value for n, value in enumerate(shown)]  # a probe in air meanwhile
        false_hints += _hint_after(spec, [_words(value) for value in lifted]) is not None
    return named, most, false_hints


def _hint_after(spec: Modbus, answers: list[tuple[int, ...]]) -> int | None:
    watch = WordOrderWatch(spec.value, spec.unit)
    return next((n for n, words in enumerate(answers, start=1) if watch.look(words)), None)


def _swapped(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """The words of the float swapped from then on, as the driver then gives them on."""
    spec = profile_of("modbus-float").modbus
    assert spec is not None
    watch = WordOrderWatch(spec.value, spec.unit)

    def at(row: BenchRow) -> Sequence[BenchRow]:
        """The row as the driver reads it; none where it is no reading."""
        if row.reading in ("", "over"):
            return [row]
        words = _words(float(row.reading))
        words = words[::-1] if row.time_s >= start_s else words
        watch.look(words)
        parsed = judge_registers(spec, words, None, 0)
        if parsed.quality is not Quality.GOOD or watch.suspected:
            return []
        return [replace(row, reading=f"{parsed.value:.1f}")]

    return at


def _tenth(record: Record, start_s: float, rng: np.random.Generator) -> Laid:
    """A tenth of every reading from then on."""
    return lambda row: (
        [replace(row, reading=f"{float(row.reading) / 10:.1f}")]
        if row.time_s >= start_s and row.reading not in ("", "over")
        else [row]
    )
