"""Modbus RTU, the part a client of one meter needs: pure functions on bytes.

Own code because the usual small client owns its serial port (no URLs, no replug) and cannot be told to wait a
late reply out. Frames after "MODBUS over Serial Line, Specification and Implementation Guide V1.02"
(section 2.5 and appendix B, CRC) and "MODBUS Application Protocol Specification V1.1b3" (section 6,
functions 3 and 4; section 7, exceptions).
"""

from __future__ import annotations

import struct

from rinsewatch_drivers.errors import WireError
from rinsewatch_drivers.profile import Register

# Application Protocol V1.1b3, section 7
EXCEPTION_TEXTS = {
    1: "does not know this function: check function in the profile",
    2: "has no such register: check register in the profile",
    3: "refuses the value: check the registers in the profile",
    4: "reports a failure of its own",
    5: "has accepted and is still working",
    6: "is busy",
    8: "found a memory parity error",
}
# a wrong set-up does not heal by asking again and again
SETUP_EXCEPTIONS = frozenset((1, 2, 3))
_READ_FUNCTIONS = frozenset((3, 4))
_MAX_REGISTERS = 125  # Application Protocol V1.1b3, section 6.3: quantity of registers 1 to 125


class ExceptionReply(WireError):
    """The meter answered properly: with an exception."""

    def __init__(self, code: int) -> None:
        super().__init__(f"the meter {EXCEPTION_TEXTS.get(code, 'answers with an unknown exception')} ({code})")
        self.code = code


def _crc_table() -> tuple[int, ...]:
    # reflected polynomial 0xA001 (Serial Line V1.02, appendix B)
    table = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
        table.append(crc)
    return tuple(table)


_TABLE = _crc_table()


def crc16(data: bytes) -> bytes:
    """The check sum as it goes over the wire, low byte first (Serial Line V1.02, appendix B)."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _TABLE[(crc ^ byte) & 0xFF]
    return struct.pack("<H", crc)


def build_read(address: int, function: int, register: int, count: int) -> bytes:
    """The query for ``count`` registers from ``register`` (counted from 0), with its check sum.

    Raises WireError where the specification has no such query.
    """
    if not 1 <= address <= 247 or function not in _READ_FUNCTIONS:
        raise WireError(f"no query of address {address} with function {function}")
    if not 1 <= count <= _MAX_REGISTERS or not 0 <= register <= 0x10000 - count:
        raise WireError(f"no query of {count} registers from {register}")
    body = struct.pack(">BBHH", address, function, register, count)
    return body + crc16(body)


def reply_bytes(count: int) -> int:
    """Length of the normal reply to a query for ``count`` registers."""
    return 5 + 2 * count


EXCEPTION_BYTES = 5


def expected_length(query: bytes, begun: bytes) -> int:
    """How long the reply that has begun will be, as its first two bytes tell."""
    if len(begun) >= 2 and begun[1] & 0x80:
        return EXCEPTION_BYTES
    return reply_bytes(struct.unpack(">H", query[4:6])[0])


def parse_response(query: bytes, response: bytes) -> tuple[int, ...]:
    """The registers of a reply to ``query``, each 0..65535.

    Raises ExceptionReply if the meter answered with one, and WireError for anything else that is not
    exactly one whole reply: echo, wrong check sum, address, function or length.
    """
    if response.startswith(query):
        raise WireError("echo: the adapter sends our own query back")
    if len(response) < EXCEPTION_BYTES:
        raise WireError(f"reply cut short after {len(response)} bytes")
    if crc16(response[:-2]) != response[-2:]:
        raise WireError("wrong check sum")
    address, function = response[0], response[1]
    if address != query[0]:
        raise WireError(f"reply from address {address}, asked was {query[0]}")
    if function == query[1] | 0x80 and len(response) == EXCEPTION_BYTES:
        raise ExceptionReply(response[2])
    if function != query[1]:
        raise WireError(f"reply to function {function}, asked was {query[1]}")
    return _registers(query, response)


def _registers(query: bytes, response: bytes) -> tuple[int, ...]:
    count = struct.unpack(">H", query[4:6])[0]
    if response[2] != 2 * count or len(response) != reply_bytes(count):
        raise WireError(f"reply of {response[2]} data bytes, asked were {2 * count}")
    return struct.unpack(f">{count}H", response[3:-2])


_WORDS = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
_FORMATS = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}


def register_count(register: Register) -> int:
    """How many registers a value takes."""
    return _WORDS[register.type]


def decode(register: Register, words: tuple[int, ...]) -> int | float:
    """The raw value in its registers, before scaling (a float may be nan or infinite)."""
    ordered = words if register.word_order == "big" else words[::-1]
    packed = struct.pack(f">{len(ordered)}H", *ordered)
    value: int | float = struct.unpack(_FORMATS[register.type], packed)[0]
    return value


def silence_s(baud: int) -> float:
    """The silence that parts two frames, in s: 3.5 characters of 11 bits, 1.75 ms above 19200 baud.

    Source: Serial Line V1.02, section 2.5.1.1.
    """
    return 0.00175 if baud > 19_200 else 3.5 * 11 / baud
