"""A Modbus RTU meter, asked in turn. A late answer is waited out, never taken for the next one."""

from __future__ import annotations

import math
from dataclasses import replace

from rinsewatch_drivers import modbus as wire
from rinsewatch_drivers.clock import Clock
from rinsewatch_drivers.errors import WireError
from rinsewatch_drivers.late import LateAnswers
from rinsewatch_drivers.numbers import SMALLEST, judge_number
from rinsewatch_drivers.profile import Modbus, Register, SerialSettings, StatusRegister
from rinsewatch_drivers.reading import Kind, Parsed, Quality, fault
from rinsewatch_drivers.sources import Arrival, Batch
from rinsewatch_drivers.transport import Transport
from rinsewatch_drivers.word_order import WordOrderWatch

_SETUP_RETRY_S = 10.0
_BUSY_BACKOFF_MOST = 8
# Modbus RTU numbers no questions: where value, temperature and status have one each, an answer that may still come
# could pass for the next one's. Gateways and radio links take up to some three seconds (from memory, no source).
_LATE_S = 3.0
_LATE_MOST_S = 4.0 * _LATE_S
_SHORTEST_ANSWER = 5  # bytes: address, function, exception code, check sum
_DRAIN_MOST = 8  # a line that never falls silent must not hold the link for ever


class NoAnswer(WireError):
    """The meter did not answer in time."""


class ModbusClient:
    """One question at a time: line silent and empty, query, whole reply or WireError."""

    def __init__(self, transport: Transport, baud: int, timeout_s: float, clock: Clock) -> None:
        self._transport = transport
        self._silence_s = wire.silence_s(baud)
        self._timeout_s = timeout_s
        self._clock = clock
        self._owed = False  # an answer may still come
        self.raw = b""
        self.bytes_seen = 0
        self.late_bytes = 0

    def read_registers(self, address: int, function: int, register: int, count: int) -> tuple[int, ...]:
        """The registers, each 0..65535; raises WireError (NoAnswer, ExceptionReply) and PortLost."""
        query = wire.build_read(address, function, register, count)
        self._settle()
        self._transport.write(query)
        self.raw = self._collect(query)
        if not self.raw:
            raise NoAnswer("no answer")
        try:
            words = wire.parse_response(query, self.raw)
        except wire.ExceptionReply:
            self._owed = False
            raise
        self._owed = False
        return words

    def _settle(self) -> None:
        """Wait out an answer still owed, then a frame's silence, and empty the line."""
        quiet_s = self._timeout_s if self._owed else self._silence_s
        for _ in range(_DRAIN_MOST):
            stray = self._transport.read(quiet_s)
            self.bytes_seen += len(stray)
            self.late_bytes += len(stray) if self._owed else 0
            if not stray:
                break
            # what came may be only part of it; what follows comes without long pauses
            quiet_s = max(self._silence_s, min(quiet_s, self._timeout_s / 2.0))
        self._transport.flush_input()

    def _collect(self, query: bytes) -> bytes:
        self._owed = True
        reply = b""
        deadline_s = self._clock.monotonic() + self._timeout_s
        while (left_s := deadline_s - self._clock.monotonic()) > 0:
            reply += self._transport.read(left_s)
            if len(reply) >= wire.expected_length(query, reply):
                reply += self._rest()
                break
        self.bytes_seen += len(reply)
        return reply

    def _rest(self) -> bytes:
        # a frame ends with silence: bytes glued to it make the whole of it doubtful
        return self._transport.read(self._silence_s)


class ModbusPoller:
    """The source of readings from a Modbus meter."""

    def __init__(self, spec: Modbus, serial: SerialSettings) -> None:
        self._spec = spec
        self._baud = serial.baud
        self._client: tuple[Transport, ModbusClient] | None = None
        self._due_s: float | None = None
        self._busy = 0
        self._unanswered = False  # nothing came in time: it may still
        self._hush: tuple[float, float] | None = None  # until when the line must be silent, and the latest such time
        self._late = LateAnswers(spec.timeout_s, _SHORTEST_ANSWER)
        self._order = WordOrderWatch(spec.value, spec.unit)
        self._hint = ""

    def poll(self, transport: Transport, timeout_s: float, clock: Clock) -> Batch:
        """Ask if it is time; takes up to a few of the profile's time-outs longer than ``timeout_s``."""
        batch = Batch()
        now_s = clock.monotonic()
        if self._hush is not None:
            self._listen(transport, timeout_s, clock, batch)
            return batch
        due_s = now_s if self._due_s is None else self._due_s
        if due_s > now_s + timeout_s:
            self._late.came(len(transport.read(timeout_s)))
            return batch
        clock.wait(due_s - now_s)
        client = self._client_of(transport, clock)
        raw, parsed = self._ask(client)
        self._note_late(client)
        if self._several and self._unanswered:
            now_s = clock.monotonic()
            self._hush = (now_s + _LATE_S, now_s + _LATE_MOST_S)
        self._due_s = max(due_s, clock.monotonic() - self._spec.interval_s) + self._pause_s(parsed)
        batch.content_bytes, client.bytes_seen = client.bytes_seen, 0
        batch.seen = batch.content_bytes > 0
        batch.hint, self._hint = self._hint or self._late.hint(), ""
        if parsed is not None:
            batch.arrivals.append(Arrival(raw, parsed, clock.monotonic(), clock.utc()))
        return batch

    def _note_late(self, client: ModbusClient) -> None:
        self._late.came(client.late_bytes)  # they belong to the question before
        client.late_bytes = 0
        self._late.asked(answered=not self._unanswered)

    @property
    def _several(self) -> bool:
        """More than one question: their answers must not be mixed up."""
        return self._spec.temperature is not None or self._spec.status is not None

    def _listen(self, transport: Transport, timeout_s: float, clock: Clock, batch: Batch) -> None:
        """After an answer that did not come: no question before the line was silent for so long."""
        assert self._hush is not None
        until_s, latest_s = self._hush
        now_s = clock.monotonic()
        stray = transport.read(min(timeout_s, max(until_s - now_s, 0.0)))
        now_s = clock.monotonic()
        batch.content_bytes, batch.seen = len(stray), bool(stray)
        self._late.came(len(stray))
        if stray:
            until_s = min(now_s + _LATE_S, latest_s)
        self._hush = None if now_s >= until_s else (until_s, latest_s)

    def lost(self, clock: Clock) -> list[Arrival]:
        """Nothing is kept between two questions."""
        self._client = self._due_s = self._hush = None
        return []

    def _client_of(self, transport: Transport, clock: Clock) -> ModbusClient:
        if self._client is None or self._client[0] is not transport:
            self._client = (transport, ModbusClient(transport, self._baud, self._spec.timeout_s, clock))
        return self._client[1]

    def _pause_s(self, parsed: Parsed | None) -> float:
        interval_s = self._spec.interval_s
        code = parsed.cause.removeprefix("exception-") if parsed is not None else ""
        self._busy = min(self._busy * 2 or 1, _BUSY_BACKOFF_MOST) if code in ("5", "6") else 0
        if code.isdigit() and int(code) in wire.SETUP_EXCEPTIONS:
            return max(interval_s, _SETUP_RETRY_S)
        return interval_s * max(1, self._busy)

    def _ask(self, client: ModbusClient) -> tuple[bytes, Parsed | None]:
        """The bytes and their meaning; None where no byte came at all (the watch will call that silence)."""
        raw, self._unanswered = b"", False
        try:
            words = self._read(client, self._spec.value)
            raw += client.raw
            temperature_c = self._temperature_c(client)
            status = self._status(client)
        except NoAnswer:
            self._unanswered = True
            return raw, fault("wire") if raw else None
        except wire.ExceptionReply as reply:
            return client.raw, fault(f"exception-{reply.code}")
        except WireError as error:
            return client.raw, fault("echo" if str(error).startswith("echo") else "wire")
        return raw, self._judge(words, temperature_c, status)

    def _judge(self, words: tuple[int, ...], temperature_c: float | None, status: int) -> Parsed:
        parsed = judge_registers(self._spec, words, temperature_c, status)
        if parsed.kind is Kind.VALUE or parsed.cause == "not-a-number":
            if self._order.look(words):
                self._hint = (
                    "the numbers leap about, and run smooth with the registers swapped: set word_order = "
                    f'"{self._order.right}" in the meter profile; until then they are no readings'
                )
            if self._order.suspected and parsed.kind is Kind.VALUE:
                return replace(parsed, quality=Quality.BAD, cause="word-order")
        return parsed

    def _read(self, client: ModbusClient, register: Register) -> tuple[int, ...]:
        count = wire.register_count(register)
        return client.read_registers(self._spec.address, self._spec.function, register.register, count)

    def _temperature_c(self, client: ModbusClient) -> float | None:
        register = self._spec.temperature
        if register is None:
            return None
        celsius = wire.decode(register, self._read(client, register)) * register.scale
        return celsius if math.isfinite(celsius) else None

    def _status(self, client: ModbusClient) -> int:
        status = self._spec.status
        if status is None:
            return 0
        return client.read_registers(self._spec.address, self._spec.function, status.register, 1)[0]


def judge_registers(spec: Modbus, words: tuple[int, ...], temperature_c: float | None, status: int) -> Parsed:
    """The meaning of the value's registers and the status word."""
    said = _said(spec.status, status)
    raw = wire.decode(spec.value, words)
    if said == "error":
        return fault("sensor-error")
    for kind, sentinels in ((Kind.OVER, spec.over_raw), (Kind.UNDER, spec.under_raw)):
        if raw in sentinels or (said == kind.value):
            return Parsed(kind, None, None, spec.unit, temperature_c, Quality.MISSING, f"{kind}-range")
    if not math.isfinite(raw):
        return fault("not-a-number")
    decimals = decimals_of(spec.value)
    exact = raw * spec.value.scale
    value = exact if decimals is None else round(exact, decimals)
    parsed = judge_number(value + 0.0, decimals, spec.unit, temperature_c=temperature_c, condition=said)
    # rounded it would pass for the 0 of a probe in air
    return replace(parsed, quality=Quality.BAD, cause="out-of-range") if 0.0 < abs(exact) < SMALLEST else parsed


def _said(status: StatusRegister | None, word: int) -> str:
    if status is None:
        return ""
    masks = (
        ("error", status.error_mask),
        ("over", status.over_mask),
        ("hold", status.hold_mask),
        ("battery", status.battery_mask),
    )
    return next((name for name, mask in masks if word & mask), "")


def decimals_of(register: Register) -> int | None:
    """The decimals of a register's value: declared, or those of a scale like 0.01; None for floats."""
    if register.decimals is not None:
        return register.decimals
    if register.type == "float32":
        return None
    places = -math.log10(register.scale)
    return max(0, round(places)) if abs(places - round(places)) < 1e-9 else None
