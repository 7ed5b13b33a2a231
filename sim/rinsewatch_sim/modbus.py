"""A Modbus RTU server, after "MODBUS over Serial Line, Specification and Implementation Guide V1.02".

Address, function, big-endian data, CRC-16 (polynomial 0xA001 reflected, start 0xFFFF), low byte first.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass, field

OVER_RAW = 0xFFFFFFFF
_REQUEST_LENGTH = 8
_ILLEGAL_FUNCTION, _ILLEGAL_ADDRESS, _ILLEGAL_VALUE = 1, 2, 3


def crc(frame: bytes) -> bytes:
    """The two CRC bytes in wire order, bit by bit as the specification's appendix draws it."""
    register = 0xFFFF
    for byte in frame:
        register ^= byte
        for _ in range(8):
            carry = register & 1
            register >>= 1
            if carry:
                register ^= 0xA001
    return struct.pack("<H", register)


def sealed(body: bytes) -> bytes:
    """Body with its CRC."""
    return body + crc(body)


@dataclass(slots=True)
class ModbusMeter:
    """Answers reads of its registers at ``address`` with one ``function`` (3 holding, 4 input)."""

    address: int
    function: int
    pending: bytearray = field(default_factory=bytearray)

    def answer(self, received: bytes, registers: Mapping[int, int]) -> bytes:
        """Replies to every whole request that has arrived; bytes that start none are skipped one by one."""
        self.pending += received
        out = b""
        while len(self.pending) >= _REQUEST_LENGTH:
            frame = bytes(self.pending[:_REQUEST_LENGTH])
            if crc(frame[:-2]) != frame[-2:]:
                del self.pending[0]
                continue
            del self.pending[:_REQUEST_LENGTH]
            out += self._reply(frame, registers)
        return out

    def _reply(self, frame: bytes, registers: Mapping[int, int]) -> bytes:
        address, function, start, count = struct.unpack(">BBHH", frame[:-2])
        if address != self.address:
            return b""
        if function != self.function:
            return self._exception(function, _ILLEGAL_FUNCTION)
        if not 1 <= count <= 125:
            return self._exception(function, _ILLEGAL_VALUE)
        wanted = range(start, start + count)
        if any(number not in registers for number in wanted):
            return self._exception(function, _ILLEGAL_ADDRESS)
        data = struct.pack(f">{count}H", *(registers[number] for number in wanted))
        return sealed(bytes([address, function, len(data)]) + data)

    def _exception(self, function: int, code: int) -> bytes:
        return sealed(bytes([self.address, function | 0x80, code]))


def _words(packed: bytes) -> list[int]:
    return [high << 8 | low for high, low in zip(packed[::2], packed[1::2], strict=True)]


def float_registers(value: float | None, temperature_c: float) -> dict[int, int]:
    """float32 value at 0 and temperature at 2, high word first; over range is not-a-number."""
    shown = float("nan") if value is None else value
    return dict(enumerate(_words(struct.pack(">ff", shown, temperature_c))))


def scaled_registers(value: float | None, temperature_c: float) -> dict[int, int]:
    """uint32 hundredths at 0 (all ones: over range), int16 tenths of a degree at 2, status 0 at 3."""
    raw = OVER_RAW if value is None else round(value * 100.0)
    return dict(enumerate(_words(struct.pack(">IhH", raw, round(temperature_c * 10.0), 0))))
