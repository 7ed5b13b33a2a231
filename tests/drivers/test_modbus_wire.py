"""Modbus frames against the specification's examples, against another implementation, and against damage."""

from __future__ import annotations

import asyncio
import random
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from pymodbus.framer import FramerType
from pymodbus.framer.rtu import FramerRTU
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from rinsewatch_drivers.clock import SystemClock
from rinsewatch_drivers.errors import WireError
from rinsewatch_drivers.link import MeterLink
from rinsewatch_drivers.modbus import (
    ExceptionReply,
    build_read,
    crc16,
    decode,
    parse_response,
    silence_s,
)
from rinsewatch_drivers.modbus_source import ModbusClient, ModbusPoller
from rinsewatch_drivers.profile import Register, builtin_profiles, parse_profile
from rinsewatch_drivers.reading import Kind, Quality, Reading
from rinsewatch_drivers.sniff import probe


def test_check_sum_examples() -> None:
    # MODBUS over Serial Line V1.02, appendix B: address 02, function 07 gives 0x1241, sent 41 12 (from
    # memory)
    assert crc16(bytes.fromhex("02 07")) == bytes.fromhex("41 12")
    # the query used by most guides to the protocol: 01 03 00 00 00 0A, check sum C5 CD (from memory)
    assert build_read(1, 3, 0, 10) == bytes.fromhex("01 03 00 00 00 0A C5 CD")


def test_application_protocol_examples() -> None:
    # MODBUS Application Protocol V1.1b3, 6.3: registers 108-110 hold 022B, 0, 0064 (from memory);
    # address added
    query = build_read(1, 3, 0x6B, 3)
    assert query[1:-2] == bytes.fromhex("03 00 6B 00 03")
    body = bytes.fromhex("01 03 06 02 2B 00 00 00 64")
    assert parse_response(query, body + crc16(body)) == (0x22B, 0, 0x64)
    # 6.4: input register 9 holds 10
    body = bytes.fromhex("01 04 02 00 0A")
    assert parse_response(build_read(1, 4, 8, 1), body + crc16(body)) == (10,)


def test_check_sum_agrees_with_another_implementation() -> None:
    rng = random.Random(3)
    for _ in range(2000):
        data = rng.randbytes(rng.randrange(1, 60))
        assert int.from_bytes(crc16(data), "big") == FramerRTU.compute_CRC(data)


def test_frame_silence() -> None:
    # Serial Line V1.02, 2.5.1.1: 3.5 characters of 11 bits; fixed 1.750 ms above 19200 baud
    assert silence_s(9600) == pytest.approx(3.5 * 11 / 9600)
    assert silence_s(115200) == 0.00175


@pytest.mark.parametrize(("address", "function", "register", "count"), [
    (0, 3, 0, 1), (248, 3, 0, 1), (1, 6, 0, 1), (1, 3, 0, 0), (1, 3, 0, 126), (1, 3, 65535, 2), (1, 3, -1, 1)
])  # fmt: skip
def test_queries_the_specification_does_not_have(address: int, function: int, register: int, count: int) -> None:
    with pytest.raises(WireError):
        build_read(address, function, register, count)


def test_one_to_three_flipped_bits_are_never_accepted() -> None:
    rng = random.Random(24)
    query = build_read(1, 3, 0, 2)
    body = bytes([1, 3, 4]) + struct.pack(">f", 412.3)
    frame = int.from_bytes(body + crc16(body), "big")
    for round_number in range(60_000):
        flipped = frame
        for bit in rng.sample(range(72), 1 + round_number % 3):
            flipped ^= 1 << bit
        with pytest.raises(WireError) as caught:
            parse_response(query, flipped.to_bytes(9, "big"))
        assert not isinstance(caught.value, ExceptionReply)


@pytest.mark.parametrize("code", [1, 2, 3, 4, 5, 6, 8, 99])
def test_exceptions_are_told_in_words(code: int) -> None:
    body = bytes([1, 0x83, code])
    with pytest.raises(ExceptionReply) as caught:
        parse_response(build_read(1, 3, 0, 2), body + crc16(body))
    assert caught.value.code == code
    assert str(caught.value).startswith("the meter ")


@pytest.mark.parametrize(("kind", "words", "value"), [
    ("int16", (0xFFFF,), -1), ("uint16", (0xFFFF,), 65535), ("int32", (0xFFFF, 0xFFFE), -2),
    ("uint32", (1, 0), 65536), ("float32", (0x3F80, 0), 1.0),  # 1.0 is 3F800000 in IEEE 754 single precision
])  # fmt: skip
def test_register_types(kind: Any, words: tuple[int, ...], value: float) -> None:
    assert decode(Register(register=0, type=kind), words) == value
    assert decode(Register(register=0, type=kind, word_order="little"), words[::-1]) == value


def _echo_counter(cable: Any, late_share: float, timeout_s: float) -> list[int]:
    """A meter whose register holds the number of the query; some replies come after the time-out."""
    rng = random.Random(9)
    sent: list[int] = []

    def answer(query: bytes) -> list[tuple[float, bytes]]:
        sent.append(len(sent) % 65536)
        body = bytes([1, 3, 2]) + struct.pack(">H", sent[-1])
        late = rng.random() < late_share
        delay_s = timeout_s * rng.uniform(1.01, 1.95) if late else rng.uniform(0.01, 0.8 * timeout_s)
        return [(delay_s, body + crc16(body))]

    cable.on_write = answer
    return sent


def test_late_replies_are_never_taken_for_the_next_answer(cable: Callable[..., Any], clock: Any) -> None:
    meter = cable()
    sent = _echo_counter(meter, 0.02, 0.5)
    client = ModbusClient(meter, 9600, 0.5, clock)
    answered = missed = 0
    for _ in range(20_000):
        try:
            assert client.read_registers(1, 3, 0, 1) == (sent[-1],)
            answered += 1
        except WireError:
            missed += 1
    assert answered > 19_000
    assert 300 < missed < 500


def test_control_without_waiting_the_late_ones_out_most_answers_are_wrong(
    cable: Callable[..., Any], clock: Any
) -> None:
    meter = cable()
    sent = _echo_counter(meter, 0.02, 0.5)
    query = build_read(1, 3, 0, 1)
    wrong = 0
    for _ in range(2000):
        meter.write(query)
        reply = meter.read(0.5)
        wrong += bool(reply) and parse_response(query, reply) != (sent[-1],)
    assert wrong > 1000


def _two_registers(rng: random.Random, delay_s: Callable[[random.Random], float]) -> Callable[[bytes], Any]:
    """Registers 0-1 hold 45 uS/cm, 2-3 hold 21.5 C; the answers to both look alike."""

    def answer(query: bytes) -> list[tuple[float, bytes]]:
        register, count = struct.unpack(">HH", query[2:6])
        body = bytes([1, 3, 2 * count]) + struct.pack(">ff", 45.0, 21.5)[2 * register : 2 * (register + count)]
        return [(delay_s(rng), body + crc16(body))]

    return answer


@pytest.mark.parametrize("late_s", [(0.55, 0.95), (1.05, 1.6), (1.1, 2.9)])
@pytest.mark.parametrize("share", [0.02, 0.3, 1.0])
def test_a_late_temperature_is_no_conductivity(
    cable: Callable[..., Any], clock: Any, share: float, late_s: tuple[float, float]
) -> None:
    profile = builtin_profiles()["modbus-float"]
    assert profile.modbus is not None and profile.modbus.temperature is not None
    meter = cable()
    meter.on_write = _two_registers(
        random.Random(4), lambda rng: rng.uniform(*late_s) if rng.random() < share else rng.uniform(0.02, 0.3)
    )
    poller, values = ModbusPoller(profile.modbus, profile.serial), list[float]()
    end_s = clock.now_s + 1500.0
    while clock.now_s < end_s:
        arrived = poller.poll(meter, 0.25, clock).arrivals
        values += [arrival.parsed.value for arrival in arrived if arrival.parsed.value is not None]
    assert set(values) <= {45.0}
    assert len(values) > 900 or share > 0.1
    assert meter.written, "however late the answers are, the asking never ends"


def test_a_line_that_never_falls_silent_is_asked_all_the_same(cable: Callable[..., Any], clock: Any) -> None:
    profile = builtin_profiles()["modbus-float"]
    assert profile.modbus is not None
    begin_s = clock.now_s
    meter = cable([(2.5 * n, b"\x55") for n in range(1000)])
    poller = ModbusPoller(profile.modbus, profile.serial)
    while clock.now_s < begin_s + 120.0:
        poller.poll(meter, 0.25, clock)
    assert 5 <= len(meter.written) <= 20


def test_set_up_exceptions_slow_the_asking_and_busy_backs_off(cable: Callable[..., Any], clock: Any) -> None:
    profile = builtin_profiles()["modbus-float"]
    assert profile.modbus is not None
    for code, at_most in ((2, 7), (6, 12)):
        meter = cable()
        body = bytes([1, 0x83, code])
        meter.on_write = lambda _, body=body: [(0.01, body + crc16(body))]
        poller = ModbusPoller(profile.modbus, profile.serial)
        end_s = clock.now_s + 60.0
        while clock.now_s < end_s:
            poller.poll(meter, 0.5, clock)
        assert 3 <= len(meter.written) <= at_most


async def _stopped(server: Any) -> None:
    await server.shutdown()


@contextmanager
def _server(device: SimDevice) -> Iterator[str]:
    """pymodbus, an implementation independent of ours, speaking RTU frames on a local socket."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    loop = asyncio.new_event_loop()
    server: list[ModbusTcpServer] = []
    ready = threading.Event()

    async def start() -> None:
        server.append(ModbusTcpServer(device, framer=FramerType.RTU, address=("127.0.0.1", port)))
        await server[0].serve_forever(background=True)
        ready.set()

    def run() -> None:
        loop.run_until_complete(start())
        loop.run_forever()

    thread = threading.Thread(target=run)
    thread.start()
    assert ready.wait(10)
    yield f"socket://127.0.0.1:{port}"
    asyncio.run_coroutine_threadsafe(_stopped(server[0]), loop).result(10)
    loop.call_soon_threadsafe(loop.stop)
    thread.join(10)
    loop.close()


def test_reads_another_implementations_registers() -> None:
    device = SimDevice(
        1,
        [
            SimData(0, values=[412.3, 24.8], datatype=DataType.FLOAT32),
            SimData(10, values=0, datatype=DataType.UINT16),
        ],
    )
    profile = builtin_profiles()["modbus-float"]
    missing = parse_profile(
        'name = "x"\nkind = "modbus-rtu"\n[modbus]\naddress = 1\nfunction = 3\nunit = "ppm"\n'
        '[modbus.value]\nregister = 500\ntype = "uint16"\n',
        "x.toml",
    )
    with _server(device) as url:
        link = MeterLink(url, profile, clock=SystemClock())
        readings = [item for item in link.poll(0.1) if isinstance(item, Reading)]
        link.close()
        assert [(r.value, r.decimals, r.unit, r.quality) for r in readings] == [(412.3, 1, "uS/cm", Quality.GOOD)]
        assert readings[0].temperature_c == pytest.approx(24.8, abs=1e-5)
        link = MeterLink(url, missing, clock=SystemClock())
        refused = [item for item in link.poll(0.1) if isinstance(item, Reading)]
        link.close()
        assert [(r.kind, r.cause) for r in refused] == [(Kind.FAULT, "exception-2")]


def test_probe_says_who_answers(cable: Callable[..., Any], clock: Any) -> None:
    meter = cable()
    body = bytes([7, 3, 2, 0, 42])
    meter.on_write = lambda query: [(0.01, body + crc16(body))] if query[0] == 7 else []
    assert probe(meter, 7, clock).detail == "function 3: register 0 holds 42"
    assert probe(meter, 8, clock).answered is False
