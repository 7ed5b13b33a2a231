"""Two registers the wrong way round: flagged, named, and never named for a meter that is in order.

The swapped registers are encoded by pymodbus, an implementation independent of ours.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from typing import Any, Literal

import numpy as np
import pytest
from pymodbus.client.mixin import ModbusClientMixin

from rinsewatch.cli.bench_fault_rig import Cable, cable_link, poll_for
from rinsewatch_drivers.modbus import crc16
from rinsewatch_drivers.modbus_source import judge_registers
from rinsewatch_drivers.profile import Profile, Register, parse_profile
from rinsewatch_drivers.reading import LinkEvent, Quality, Reading
from rinsewatch_drivers.word_order import KEPT, WordOrderWatch

Order = Literal["big", "little"]
TYPES = ModbusClientMixin.DATATYPE


def _profile(word_order: Order = "big") -> Profile:
    return parse_profile(
        'name = "x"\nkind = "modbus-rtu"\n[modbus]\naddress = 1\nfunction = 3\nunit = "uS/cm"\n[modbus.value]\n'
        f'register = 0\ntype = "float32"\ndecimals = 1\nword_order = "{word_order}"\n',
        "x.toml",
    )


def _sent(value: float, order: Order, kind: Any = TYPES.FLOAT32) -> tuple[int, ...]:
    return tuple(ModbusClientMixin.convert_to_registers(value, kind, word_order=order))


def _rinse(decimals: int, count: int = 60) -> list[float]:
    rng = np.random.default_rng(decimals)
    return [round(float(2500.0 * 0.93**n * rng.lognormal(0.0, 0.01)), decimals) for n in range(count)]


def _named_after(values: Sequence[float], sent: Order, declared: Order, kind: Any = TYPES.FLOAT32) -> int | None:
    watch = WordOrderWatch(Register(register=0, type=kind.name.lower(), word_order=declared), "uS/cm")
    return next((n for n, v in enumerate(values, start=1) if watch.look(_sent(v, sent, kind))), None)


@pytest.mark.parametrize("decimals", [0, 1, 2, 3])
@pytest.mark.parametrize(("sent", "declared"), [("big", "little"), ("little", "big")])
def test_the_order_is_named_after_six_different_answers(decimals: int, sent: Order, declared: Order) -> None:
    assert _named_after(_rinse(decimals, count=30), sent, declared) == KEPT == 6
    assert _named_after(_rinse(decimals), sent, sent) is None


def test_whole_numbers_in_two_registers_have_an_order_too() -> None:
    values = [4000 - 13 * n for n in range(20)]
    assert _named_after(values, "little", "big", TYPES.UINT32) == KEPT
    assert _named_after(values, "big", "big", TYPES.UINT32) is None


def test_a_single_register_has_none() -> None:
    watch = WordOrderWatch(Register(register=0, type="uint16"), "uS/cm")
    assert not any(watch.look((n * 7919 % 65536,)) for n in range(100))


@pytest.mark.parametrize("odd", [[0.0], [-0.3, 0.0, -0.1], [1e5, 3.0, 9e4, 2.0, 8e4, 1.0], [float("nan")]])
def test_a_sound_meter_with_bad_moments_is_not_suspected(odd: list[float]) -> None:
    values = _rinse(1)
    assert _named_after([*values[:20], *odd, *values[20:]], "big", "big") is None


def test_the_same_answer_again_tells_nothing() -> None:
    assert _named_after([412.3] * 100, "little", "big") is None


def test_suspicion_ends_when_the_numbers_make_sense_again() -> None:
    watch = WordOrderWatch(Register(register=0, type="float32"), "uS/cm")
    values = _rinse(2)
    told = [watch.look(_sent(v, "little")) for v in values[:20]]
    assert told.count(True) == 1 and watch.suspected and watch.right == "little"
    for v in values[20 : 20 + KEPT - 1]:
        watch.look(_sent(v, "big"))
        assert watch.suspected
    watch.look(_sent(values[30], "big"))
    assert not watch.suspected


def test_a_float_no_converter_sends_is_not_rounded_to_a_zero() -> None:
    spec = _profile().modbus
    assert spec is not None
    for tiny in (3e-38, -5e-12, 9e-7):
        found = judge_registers(spec, _sent(tiny, "big"), None, 0)
        assert (found.quality, found.cause) == (Quality.BAD, "out-of-range"), tiny
    for real in (0.0, 0.04, -0.04):
        assert judge_registers(spec, _sent(real, "big"), None, 0).quality is Quality.GOOD


@pytest.mark.parametrize(("declared", "events", "good"), [("big", 1, 0), ("little", 0, 30)])
def test_watch_is_told_once_and_gets_no_reading_until_then(clock: Any, declared: Order, events: int, good: int) -> None:
    """A meter that sends the low word first, asked once a second; right declared it is read."""
    values: Iterator[float] = itertools.chain(_rinse(2)[:30], itertools.repeat(0.0))

    def answer(query: bytes) -> list[tuple[float, bytes]]:
        words = _sent(next(values), "little")
        body = bytes([1, 3, 4]) + b"".join(word.to_bytes(2, "big") for word in words)
        return [(0.02, body + crc16(body))]

    link = cable_link(clock, Cable(clock, [], answer), _profile(declared))
    happened = poll_for(link, clock, 29.5)
    hints = [item for item in happened if isinstance(item, LinkEvent) and "word_order" in item.detail]
    assert len(hints) == events
    assert all('word_order = "little"' in hint.detail for hint in hints)
    readings = [item for item in happened if isinstance(item, Reading)]
    assert len(readings) >= 29
    late = readings[KEPT:]
    assert sum(r.quality is Quality.GOOD for r in late) == (len(late) if good else 0)
