"""The link over a cable in memory and virtual time: one event per change, no false reading, always back."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

import pytest

from rinsewatch_drivers.errors import PortBusy, PortError, PortMissing
from rinsewatch_drivers.link import MeterLink
from rinsewatch_drivers.modbus import crc16
from rinsewatch_drivers.profile import builtin_profiles, parse_profile
from rinsewatch_drivers.reading import Kind, LinkEvent, LinkState, Quality, Reading

PLAIN = builtin_profiles()["plain-number"]


def _run(link: MeterLink, clock: Any, seconds: float, timeout_s: float = 0.2) -> tuple[list[Reading], list[LinkEvent]]:
    end_s = clock.now_s + seconds
    happened: list[Reading | LinkEvent] = []
    while clock.now_s < end_s:
        happened += link.poll(timeout_s)
    return _split(happened)


def _split(happened: list[Reading | LinkEvent]) -> tuple[list[Reading], list[LinkEvent]]:
    readings = [item for item in happened if isinstance(item, Reading)]
    return readings, [item for item in happened if isinstance(item, LinkEvent)]


def _lines(count: int, every_s: float = 0.2, start_s: float = 0.0) -> list[tuple[float, bytes | None]]:
    return [(start_s + i * every_s, f"{1000 - i}.0 uS/cm\r\n".encode()) for i in range(count)]


def _states(events: list[LinkEvent]) -> list[LinkState]:
    return [event.state for event in events]


class Bench:
    """An opener that hands out prepared cables, or raises what stands in their place."""

    def __init__(self, *cables: Any) -> None:
        self.cables = list(cables)
        self.opened_at: list[float] = []
        self.settings: Any = None

    def __call__(self, url: str, settings: Any) -> Any:
        self.settings = settings
        cable = self.cables.pop(0) if self.cables else PortMissing("not there")
        if isinstance(cable, PortError):
            raise cable
        cable.began_s = cable.clock.now_s
        self.opened_at.append(cable.clock.now_s)
        return cable


def test_the_first_line_is_unsure_and_the_rest_are_in_order(cable: Callable[..., Any], clock: Any) -> None:
    link = MeterLink("meter", PLAIN, clock=clock, opener=Bench(cable(_lines(20))), baud=4800)
    readings, events = _run(link, clock, 4.0)
    assert _states(events) == [LinkState.OPEN]
    assert "4800 baud" in events[0].detail
    assert (readings[0].kind, readings[0].cause, readings[0].quality) == (
        Kind.FAULT,
        "first-line",
        Quality.MISSING,
    )
    assert [r.value for r in readings[1:]] == [1000.0 - i for i in range(1, 20)]
    assert [r.sequence for r in readings] == list(range(1, 21))
    assert all(r.utc.tzinfo is not None for r in readings)
    assert readings[5].monotonic_s == pytest.approx(1001.0)


def test_unplugged_in_mid_line_and_back(cable: Callable[..., Any], clock: Any) -> None:
    first = cable([*_lines(5), (1.0, b"123."), (1.1, None)])
    bench = Bench(first, *[PortMissing("gone")] * 3, cable(_lines(10)))
    link = MeterLink("meter", PLAIN, clock=clock, opener=bench)
    readings, events = _run(link, clock, 5.0)
    assert _states(events) == [LinkState.OPEN, LinkState.LOST, LinkState.BACK]
    assert first.closed
    assert [r.cause for r in readings if r.kind is Kind.FAULT] == ["first-line", "cut", "first-line"]
    assert 123.0 not in [r.value for r in readings]
    assert events[2].detail == f"meter back after {events[2].monotonic_s - events[1].monotonic_s:.1f} s"


def test_a_meter_plugged_in_again_is_tried_within_two_seconds(cable: Callable[..., Any], clock: Any) -> None:
    bench = Bench(cable([(0.5, None)]), *[PortMissing("gone")] * 200, cable(_lines(100)))
    link = MeterLink("meter", PLAIN, clock=clock, opener=bench)
    tries: list[float] = []
    while len(bench.opened_at) < 2:
        before = len(bench.cables)
        link.poll(0.2)
        if len(bench.cables) < before:
            tries.append(clock.now_s)
    gaps = [b - a for a, b in itertools.pairwise(tries)]
    assert max(gaps) <= 2.0
    assert min(gaps) >= 0.1  # nor is the system asked all the time


def test_silence_is_told_once_and_its_end(cable: Callable[..., Any], clock: Any) -> None:
    link = MeterLink("meter", PLAIN, clock=clock, opener=Bench(cable(_lines(10) + _lines(10, start_s=30.0))))
    _, events = _run(link, clock, 33.0)
    assert _states(events) == [LinkState.OPEN, LinkState.SILENT, LinkState.BACK]
    assert events[1].monotonic_s - 1001.8 == pytest.approx(5.0, abs=0.3)


def test_a_slow_meter_is_not_called_silent(cable: Callable[..., Any], clock: Any) -> None:
    # declared: one line in five minutes
    slow = parse_profile(
        'name = "slow"\nkind = "text"\n[text]\nformat = "csv"\ncolumns = ["value", "unit"]\nperiod_s = 300\n',
        "s",
    )
    script = [(300.0 * i, piece) for i in range(6) for piece in (b"\n12.5,", b"ppm\r")]
    link = MeterLink("meter", slow, clock=clock, opener=Bench(cable(script)))
    readings, events = _run(link, clock, 1700.0, timeout_s=1.0)
    assert _states(events) == [LinkState.OPEN]
    assert [r.value for r in readings] == [12.5] * 6
    # learned: one line in ten seconds
    learned = MeterLink("meter", PLAIN, clock=clock, opener=Bench(cable(_lines(30, every_s=10.0))))
    _, events = _run(learned, clock, 290.0, timeout_s=1.0)
    late = [event for event in events if event.monotonic_s > clock.now_s - 230.0]
    assert late == []


def test_garbage_gives_a_hint_within_ten_seconds(cable: Callable[..., Any], clock: Any) -> None:
    for script in (
        [(0.25 * i, b"\xf3\x9a\x02\x7f\x81" * 3) for i in range(80)],
        [(0.2 * i, b"\x1b[2J#!\r\n") for i in range(80)],
    ):
        link = MeterLink("meter", PLAIN, clock=clock, opener=Bench(cable(script)))
        readings, events = _run(link, clock, 11.0)
        assert _states(events) == [LinkState.OPEN, LinkState.GARBAGE]
        assert "speed" in events[1].detail
        assert all(r.kind is Kind.FAULT for r in readings)


def test_two_odd_bytes_a_second_are_garbage_too(cable: Callable[..., Any], clock: Any) -> None:
    """115,200 baud read at 9,600: a whole line arrives as two bytes, and none of them ends a line."""
    bench = Bench(cable([(float(i), b"\x94\xba") for i in range(20)]))
    link = MeterLink("x", PLAIN, clock=clock, opener=bench)
    readings, events = _run(link, clock, 12.0)
    assert readings == []
    assert _states(events) == [LinkState.OPEN, LinkState.GARBAGE]
    assert 9.5 <= events[1].monotonic_s - 1000.0 <= 10.5


def test_one_odd_line_of_a_slow_meter_is_no_garbage(cable: Callable[..., Any], clock: Any) -> None:
    bench = Bench(cable([(0.3 * i, b"abc") for i in range(7)]))
    _, events = _run(MeterLink("x", PLAIN, clock=clock, opener=bench), clock, 3.0)
    assert _states(events) == [LinkState.OPEN]


def test_some_garbage_between_good_lines_is_no_state(cable: Callable[..., Any], clock: Any) -> None:
    script = [(0.2 * i, b"#\x00!\r\n" if i % 7 == 3 else b"12.5 uS/cm\r\n") for i in range(200)]
    link = MeterLink("meter", PLAIN, clock=clock, opener=Bench(cable(script)))
    readings, events = _run(link, clock, 40.0)
    assert _states(events) == [LinkState.OPEN]
    assert len([r for r in readings if r.cause == "syntax"]) == 29


def test_a_port_that_is_not_there_yet(cable: Callable[..., Any], clock: Any) -> None:
    with pytest.raises(PortMissing):
        MeterLink("meter", PLAIN, clock=clock, opener=Bench())
    bench = Bench(*[PortMissing("there is no port meter")] * 40, cable(_lines(100)))
    link = MeterLink("meter", PLAIN, clock=clock, opener=bench, wait=True)
    readings, events = _run(link, clock, 45.0)
    assert _states(events) == [LinkState.WAITING, LinkState.OPEN]
    assert len(readings) > 5


def test_only_garbage_after_a_loss_is_not_the_meter_back(cable: Callable[..., Any], clock: Any) -> None:
    rubbish = [(0.2 * i, b"#\x00!\r\n") for i in range(100)]
    mended = [(20.0 + 0.2 * i, b"12.5 uS/cm\r\n") for i in range(20)]
    bench = Bench(cable([*_lines(10), (2.0, None)]), cable([*rubbish, *mended]))
    link = MeterLink("meter", PLAIN, clock=clock, opener=bench)
    _, events = _run(link, clock, 26.0)
    assert _states(events) == [LinkState.OPEN, LinkState.LOST, LinkState.GARBAGE, LinkState.BACK]
    assert events[-1].monotonic_s - events[1].monotonic_s > 19.0


def test_silence_after_a_loss_is_not_the_meter_back(cable: Callable[..., Any], clock: Any) -> None:
    bench = Bench(cable([*_lines(10), (2.0, None)]), cable(_lines(20, start_s=12.0)))
    link = MeterLink("meter", PLAIN, clock=clock, opener=bench)
    _, events = _run(link, clock, 16.0)
    assert _states(events) == [LinkState.OPEN, LinkState.LOST, LinkState.SILENT, LinkState.BACK]


def test_a_port_taken_by_another_program_meanwhile_is_told_once(cable: Callable[..., Any], clock: Any) -> None:
    bench = Bench(cable([(1.0, None)]), *[PortBusy("in use by x")] * 8, cable(_lines(100)))
    link = MeterLink("meter", PLAIN, clock=clock, opener=bench)
    _, events = _run(link, clock, 12.0)
    assert _states(events) == [LinkState.OPEN, LinkState.LOST, LinkState.WAITING, LinkState.BACK]


def test_a_flapping_cable_gives_at_most_one_event_a_second(cable: Callable[..., Any], clock: Any) -> None:
    cables = [cable([*_lines(2), (0.35, None)]) for _ in range(100)]
    link = MeterLink("meter", PLAIN, clock=clock, opener=Bench(*cables, cable(_lines(200))))
    readings, events = _run(link, clock, 60.0)
    assert len(events) <= 60 * 1
    assert len(events) < 20
    assert events[-1].state is LinkState.BACK
    assert len([r for r in readings if r.kind is Kind.VALUE]) > 150  # no reading is kept back


def test_lines_queued_while_nobody_read_are_late(cable: Callable[..., Any], clock: Any) -> None:
    link = MeterLink("meter", PLAIN, clock=clock, opener=Bench(cable(_lines(400))))
    _run(link, clock, 4.0)
    clock.wait(60.0)  # stopped with Ctrl-Z
    readings, _ = _run(link, clock, 4.0)
    causes = [r.cause for r in readings]
    assert causes[:300] == ["late"] * 300
    assert set(causes[301:]) == {""}
    assert all(r.quality is Quality.UNCERTAIN for r in readings[:300])


def test_stopped_in_the_middle_of_waiting_for_bytes(cable: Callable[..., Any], clock: Any) -> None:
    """That is where a program spends its time, so that is where Ctrl-Z finds it."""
    meter = cable(_lines(400))
    link = MeterLink("meter", PLAIN, clock=clock, opener=Bench(meter))
    _run(link, clock, 4.0)
    read, stops = meter.read, [60.0]

    def stopped_read(timeout_s: float) -> bytes:
        clock.wait(stops.pop() if stops else 0.0)
        data: bytes = read(timeout_s)
        return data

    meter.read = stopped_read
    readings, _ = _run(link, clock, 64.0)
    causes = [r.cause for r in readings]
    assert causes[:300] == ["late"] * 300
    assert set(causes[301:]) == {""}


def test_a_silence_that_was_waited_out_makes_nothing_late(cable: Callable[..., Any], clock: Any) -> None:
    link = MeterLink("meter", PLAIN, clock=clock, opener=Bench(cable([*_lines(20), *_lines(3, 0.001, 15.0)])))
    readings, _ = _run(link, clock, 20.0, timeout_s=12.0)
    assert len(readings) == 23 and "late" not in {r.cause for r in readings}


def test_a_sleeping_machine_is_noticed_by_the_date(cable: Callable[..., Any], clock: Any) -> None:
    meter = cable(_lines(20))
    link = MeterLink("meter", PLAIN, clock=clock, opener=Bench(meter))
    _run(link, clock, 4.0)
    clock.slept_s = 8 * 3600.0
    meter.script += [(clock.now_s - 1000.0, b"500 uS/cm\r\n"), (clock.now_s - 1000.0, b"501 uS/cm\r\n")]
    readings, _ = _run(link, clock, 1.0)
    assert [r.cause for r in readings] == ["late", "late"]


def test_auto_finds_each_profile_and_keeps_it(cable: Callable[..., Any], clock: Any) -> None:
    wires = {
        "plain-number": b"12.5 uS/cm 24.8 C\r\n", "key-value": b"EC=12.5 uS/cm T=24.8\r\n",
        "csv-columns": b"17,12.5,uS/cm,24.8\r\n", "json-lines": b'{"value": 12.5, "unit": "uS/cm"}\r\n',
    }  # fmt: skip
    for name, line in wires.items():
        half = line[len(line) // 2 :]
        script = [
            (0.0, half),
            *((0.2 * i, line) for i in range(1, 20)),
            (4.0, b"999 uS\r\n"),
            (4.2, b"{}\r\n"),
        ]
        link = MeterLink("meter", None, clock=clock, opener=Bench(cable(script)))
        assert link.profile is None
        readings, events = _run(link, clock, 5.0)
        assert _states(events) == [LinkState.OPEN]
        assert name in events[0].detail
        assert link.profile is not None
        assert link.profile.name == name
        assert [r.value for r in readings].count(12.5) == 19
        assert readings[1].monotonic_s == pytest.approx(readings[2].monotonic_s - 0.2)
        assert readings[0].cause == "first-line"


def test_auto_with_garbage_only_tells_so(cable: Callable[..., Any], clock: Any) -> None:
    script = [(0.2 * i, b"\x1b[2J#!\r\n") for i in range(400)]
    link = MeterLink("meter", None, clock=clock, opener=Bench(cable(script)))
    readings, events = _run(link, clock, 60.0)
    assert _states(events) == [LinkState.GARBAGE]
    assert all(r.kind is Kind.FAULT for r in readings)


def test_polled_meter_is_asked_in_time_and_its_echo_is_no_reading(cable: Callable[..., Any], clock: Any) -> None:
    meter = cable()
    meter.on_write = lambda data: [(0.01, data + b"\n"), (0.1, b"12.5 uS/cm\r\n")]
    link = MeterLink("meter", builtin_profiles()["polled-ascii"], clock=clock, opener=Bench(meter))
    readings, events = _run(link, clock, 10.0)
    assert _states(events) == [LinkState.OPEN]
    assert meter.written == [b"R\r"] * len(meter.written)
    assert 10 <= len(meter.written) <= 11
    assert [r.cause for r in readings] == ["echo", ""] * (len(readings) // 2)


def test_a_meter_that_does_not_answer_falls_silent(cable: Callable[..., Any], clock: Any) -> None:
    for name in ("polled-ascii", "modbus-float"):
        link = MeterLink("meter", builtin_profiles()[name], clock=clock, opener=Bench(cable()))
        readings, events = _run(link, clock, 20.0)
        assert readings == []
        assert _states(events) == [LinkState.OPEN, LinkState.SILENT]


@pytest.mark.parametrize("late_s", [0.6, 0.9])
@pytest.mark.parametrize("name", ["polled-ascii", "modbus-one"])
def test_a_meter_that_always_answers_late_is_told_apart_from_a_wrong_speed(
    cable: Callable[..., Any], clock: Any, name: str, late_s: float
) -> None:
    one = parse_profile(
        'name = "modbus-one"\nkind = "modbus-rtu"\n[modbus]\naddress = 1\nfunction = 3\nunit = "uS/cm"\n'
        '[modbus.value]\nregister = 0\ntype = "uint16"\n',
        "modbus-one",
    )
    profile = {**builtin_profiles(), "modbus-one": one}[name]
    body = bytes([1, 3, 2, 0, 45])
    answer = b"12.5 uS/cm\r\n" if name == "polled-ascii" else body + crc16(body)

    def run(after_s: float) -> tuple[list[Reading], list[str]]:
        meter = cable()
        meter.on_write = lambda data: [(after_s, answer)]
        link = MeterLink("meter", profile, clock=clock, opener=Bench(meter))
        readings, events = _run(link, clock, 40.0)
        return readings, [event.detail for event in events if "timeout_s" in event.detail or "speed" in event.detail]

    readings, told = run(late_s)
    assert readings == []
    assert told and all("after more than the 0.5 s" in detail for detail in told)
    assert len(told) <= 2, "once, and once when the state turns"
    readings, told = run(0.1)  # the control
    assert len(readings) >= 30 and told == []


def test_what_was_known_of_a_trouble_is_not_said_of_the_next(cable: Callable[..., Any], clock: Any) -> None:
    meter, begin_s = cable(), clock.now_s

    def answer(_: bytes) -> list[tuple[float, bytes]]:
        after_s = clock.now_s - begin_s
        if after_s < 20.0:
            return [(0.8, b"12.5 uS/cm\r\n")]
        return [(0.1, b"12.5 uS/cm\r\n" if after_s < 40.0 else b"#!#!#!\r\n")]

    meter.on_write = answer
    link = MeterLink("meter", builtin_profiles()["polled-ascii"], clock=clock, opener=Bench(meter))
    _, events = _run(link, clock, 80.0)
    troubles = [event.detail for event in events if event.state in (LinkState.SILENT, LinkState.GARBAGE)]
    assert len(troubles) == 2 and "raise timeout_s" in troubles[0]
    assert "wrong speed or meter profile" in troubles[1]


def test_meters_whose_lines_end_by_silence(cable: Callable[..., Any], clock: Any) -> None:
    gap = parse_profile(
        'name = "gap"\nkind = "text"\n[framing]\nidle_gap_ms = 50\n'
        '[text]\nformat = "csv"\ncolumns = ["value", "unit"]\n',
        "g",
    )
    script = [(i + part * 0.02, piece) for i in range(5) for part, piece in enumerate((b"12", b".5,", b"ppm"))]
    link = MeterLink("meter", gap, clock=clock, opener=Bench(cable(script)))
    readings, _ = _run(link, clock, 6.0)
    assert [r.value for r in readings] == [None, 12.5, 12.5, 12.5, 12.5]


def test_closed_means_closed_and_the_tap_hears_all(cable: Callable[..., Any], clock: Any) -> None:
    heard: list[bytes] = []
    meter = cable([*_lines(3), (0.9, b"half")])
    link = MeterLink("meter", PLAIN, clock=clock, opener=Bench(meter), tap=lambda _, data: heard.append(data))
    _run(link, clock, 2.0)
    link.close()
    assert link.poll(0.1) == []
    assert meter.closed
    assert b"".join(heard) == b"1000.0 uS/cm\r\n999.0 uS/cm\r\n998.0 uS/cm\r\nhalf"


def test_nothing_that_was_sent_is_unaccounted(cable: Callable[..., Any], clock: Any) -> None:
    """The ledger: every line sent is a reading or a flagged fault."""
    script: list[tuple[float, bytes | None]] = []
    for i in range(300):
        script.append((0.1 * i, {0: b"x" * 400, 1: b"#!", 2: b"OL"}.get(i % 10, b"12.5 uS/cm") + b"\r\n"))
    link = MeterLink("meter", PLAIN, clock=clock, opener=Bench(cable(script)))
    readings, _ = _run(link, clock, 31.0)
    causes = [r.cause for r in readings]
    assert causes.count("overlong") + causes.count("first-line") == 30
    assert (causes.count("syntax"), causes.count("over-range"), causes.count("")) == (30, 30, 210)
