"""Bytes on the wire, written from each format's plain description.

    plain-number   "412.3 uS/cm\\r\\n", with a temperature "412.3 uS/cm 24.8 C\\r\\n"
    key-value      "EC=412.3 uS/cm T=24.8\\r\\n"
    csv-columns    "17,412.3,uS/cm,24.8\\r\\n"
    json-lines     {"value": 412.3, "unit": "uS/cm", "temperature": 24.8}
    polled-ascii   silent until asked "R" CR, then a plain-number line
    modbus-float, modbus-scaled: see modbus.py
Above the top the number is replaced by the word OL.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from rinsewatch_sim.faults import Fault
from rinsewatch_sim.modbus import ModbusMeter, float_registers, scaled_registers

OVER_WORD = "OL"


@dataclass(frozen=True, slots=True)
class Sample:
    """What the display shows: number text, ``over`` or nothing, unit, temperature (None: not sent)."""

    reading: str
    unit: str
    temperature_c: float | None = None

    @property
    def word(self) -> str:
        """The number, or the word for over range."""
        return OVER_WORD if self.reading == "over" else self.reading

    @property
    def value(self) -> float | None:
        """The number, None when over range or dark."""
        return None if self.reading in ("over", "") else float(self.reading)


class Wire(Protocol):
    """A meter's way of talking. ``push``: bytes sent by itself; ``answer``: bytes in reply to some."""

    def push(self, sample: Sample) -> bytes: ...

    def answer(self, received: bytes, sample: Sample) -> bytes: ...


@dataclass(slots=True)
class Talker:
    """A meter that sends lines by itself."""

    line: Callable[[Sample, int], str]
    count: int = 0

    def push(self, sample: Sample) -> bytes:
        """The next line; nothing while the meter is silent."""
        if not sample.reading:
            return b""
        self.count += 1
        return (self.line(sample, self.count) + "\r\n").encode("utf-8")

    def answer(self, received: bytes, sample: Sample) -> bytes:
        """It does not listen."""
        return b""


@dataclass(slots=True)
class Polled:
    """A meter that speaks when asked: command ``R``, ended by CR."""

    pending: bytearray = field(default_factory=bytearray)

    def push(self, sample: Sample) -> bytes:
        """Never by itself."""
        return b""

    def answer(self, received: bytes, sample: Sample) -> bytes:
        """One line for every complete ``R``; other commands are answered ``?``."""
        self.pending += received
        out = b""
        while b"\r" in self.pending:
            command, _, rest = bytes(self.pending).partition(b"\r")
            self.pending = bytearray(rest)
            asked = command.strip() == b"R"
            out += (_plain(sample, 0) if asked else "?").encode("utf-8") + b"\r\n"
        return out


def _plain(sample: Sample, count: int) -> str:
    warmth = "" if sample.temperature_c is None else f" {sample.temperature_c:.1f} C"
    return f"{sample.word} {sample.unit}{warmth}"


def _pairs(sample: Sample, count: int) -> str:
    key = "TDS" if sample.unit in ("ppm", "ppt") else "EC"
    warmth = "" if sample.temperature_c is None else f" T={sample.temperature_c:.1f}"
    return f"{key}={sample.word} {sample.unit}{warmth}"


def _columns(sample: Sample, count: int) -> str:
    warmth = "" if sample.temperature_c is None else f"{sample.temperature_c:.1f}"
    return f"{count},{sample.word},{sample.unit},{warmth}"


def _json(sample: Sample, count: int) -> str:
    value = f'"{sample.word}"' if sample.value is None else sample.reading
    warmth = "" if sample.temperature_c is None else f', "temperature": {sample.temperature_c:.1f}'
    return f'{{"value": {value}, "unit": "{sample.unit}"{warmth}}}'


_WIRES: dict[str, Callable[[], Wire]] = {
    "plain-number": lambda: Talker(_plain),
    "key-value": lambda: Talker(_pairs),
    "csv-columns": lambda: Talker(_columns),
    "json-lines": lambda: Talker(_json),
    "polled-ascii": Polled,
    "modbus-float": lambda: ModbusWire(3, float_registers),
    "modbus-scaled": lambda: ModbusWire(4, scaled_registers),
}
FORMATS = tuple(_WIRES)


def wire(name: str) -> Wire:
    """A fresh speaker of one of ``FORMATS``; KeyError for another name."""
    return _WIRES[name]()


class ModbusWire:
    """A Modbus RTU meter at address 1."""

    def __init__(self, function: int, registers: Callable[[float | None, float], dict[int, int]]) -> None:
        self._meter = ModbusMeter(1, function)
        self._registers = registers

    def push(self, sample: Sample) -> bytes:
        """A server never speaks by itself."""
        return b""

    def answer(self, received: bytes, sample: Sample) -> bytes:
        """Reply frame, or nothing for what is not for this server."""
        temperature = 25.0 if sample.temperature_c is None else sample.temperature_c
        return self._meter.answer(received, self._registers(sample.value, temperature))


@dataclass(frozen=True, slots=True)
class Mess:
    """Wire faults: share of lines replaced by garbage, cut in half, or glued to the next."""

    garbage: float = 0.0
    half: float = 0.0
    glued: float = 0.0

    def spoil(self, line: bytes, rng: np.random.Generator) -> bytes:
        """The line as it arrives; a spoiled one is never a readable number."""
        luck = float(rng.random())
        if not line or luck >= self.garbage + self.half + self.glued:
            return line
        if luck < self.garbage:
            return rng.bytes(int(rng.integers(3, 40))) + line[-2:]
        ending = len(line) - len(line.rstrip(b"\r\n"))
        if luck < self.garbage + self.half:
            return line[: max(1, (len(line) - ending) // 2)] + b"\x00" + line[len(line) - ending :]
        return line[: len(line) - ending] + line


def line_state(faults: Sequence[Fault], time_s: float) -> tuple[Mess, bool]:
    """What the scheduled line faults make of the cable at ``time_s``: its mess, and is it plugged in."""
    kinds = {fault.kind for fault in faults if fault.active(time_s)}
    mess = Mess(*(1.0 if kind in kinds else 0.0 for kind in ("garbage", "half", "glued")))
    return mess, "unplug" not in kinds
