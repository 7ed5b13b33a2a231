"""Fuzz campaign: a Modbus meter whose replies are bent, read through the poller and a cable in memory."""

from __future__ import annotations

import random
import struct
from collections.abc import Iterator
from fractions import Fraction

from rinsewatch.cli.bench_fault_rig import Cable, Script, VirtualClock
from rinsewatch.cli.bench_fuzz_core import Given, Tried
from rinsewatch.cli.bench_fuzz_mutate import bent
from rinsewatch_drivers.modbus_source import ModbusPoller
from rinsewatch_drivers.profile import builtin_profiles
from rinsewatch_drivers.reading import Kind, Quality
from rinsewatch_sim.modbus import crc, sealed

# Data bytes of each reply, in the order they are asked for: value, temperature, and for the second a status.
_ASKED = {"modbus-float": (3, (4, 4)), "modbus-scaled": (4, (4, 2, 2))}
_OVER = 0xFFFFFFFF


class Modbus:
    """Replies sound, bent, cut, glued, resealed after bending, of other slaves, exceptions, echoes, noise."""

    name, weight, control = "modbus", 230, "take the bytes without the check sum"

    def __init__(self) -> None:
        self._profiles = builtin_profiles()

    def make(self, rng: random.Random) -> Given:
        """The replies to all queries of one reading, each behind a byte that tells its length."""
        profile = rng.choice(tuple(_ASKED))
        replies = list(_sound(rng, profile))
        truth = None
        if rng.random() < 0.1:
            truth = _exact(profile, replies)
        else:
            for place in {0, rng.randrange(len(replies))} if rng.random() < 0.7 else {rng.randrange(len(replies))}:
                replies[place] = _damaged(rng, replies, place)[:255]
        return Given(profile, b"".join(bytes([len(reply)]) + reply for reply in replies), truth)

    def look(self, given: Given) -> Tried:
        """One reading; a value only where every reply is whole, sealed and to its query."""
        profile, replies = self._profiles[given.what], list(_apart(given.data))
        assert profile.modbus is not None
        waiting = iter(replies)
        clock = VirtualClock()

        def answer(_: bytes) -> Script:
            reply = next(waiting, b"")
            return [(0.01, reply)] if reply else []

        batch = ModbusPoller(profile.modbus, profile.serial).poll(Cable(clock, [], answer), 1.0, clock)
        tried = Tried(fooled=_fooled(given.what, replies))
        for arrival in batch.arrivals:
            parsed = arrival.parsed
            tried.accepted |= parsed.kind is not Kind.FAULT
            if parsed.value is not None or parsed.kind is Kind.VALUE:
                good = parsed.quality is Quality.GOOD
                tried.false = _false(given.what, replies, parsed.value or 0.0, good=good)
        if given.truth is not None and not tried.accepted:
            tried.false = f"a sound answer of {float(given.truth)} was refused"
        return tried

    def close(self) -> None:
        """Nothing is open."""


def _sound(rng: random.Random, profile: str) -> Iterator[bytes]:
    function, sizes = _ASKED[profile]
    value = rng.choice((0.0, rng.random(), rng.random() * 2000.0))
    warm = rng.uniform(2.0, 60.0)
    if profile == "modbus-float":
        data = [struct.pack(">f", value), struct.pack(">f", warm)]
    else:
        data = [struct.pack(">I", round(value * 100)), struct.pack(">h", round(warm * 10)), bytes(2)]
    for size, words in zip(sizes, data, strict=True):
        yield sealed(bytes([1, function, size]) + words)


def _damaged(rng: random.Random, replies: list[bytes], place: int) -> bytes:
    reply, way = replies[place], rng.randrange(8)
    if way <= 1:
        bits = int.from_bytes(reply, "big")
        for bit in rng.sample(range(8 * len(reply)), rng.randint(1, 8)):
            bits ^= 1 << bit
        return bits.to_bytes(len(reply), "big")
    if way == 2:
        return bent(rng, reply)
    if way == 3:
        return sealed(bent(rng, reply[:-2]))  # the check sum fits what is wrong
    if way == 4:
        return sealed(reply[:3] + rng.choice((b"\x7f\xc0\0\0", b"\x7f\x80\0\0", b"\xff" * 4, rng.randbytes(4))))
    if way == 5:
        return sealed(bytes([1, reply[1] | 0x80, rng.randrange(256)]))
    if way == 6:
        return rng.choice((reply + reply, reply[::-1], rng.choice(replies), reply[: rng.randint(0, len(reply))]))
    return rng.randbytes(rng.randint(0, 24))


def _apart(data: bytes) -> Iterator[bytes]:
    at = 0
    while at < len(data):
        yield data[at + 1 : at + 1 + data[at]]
        at += 1 + data[at]


def _whole(profile: str, replies: list[bytes]) -> bool:
    function, sizes = _ASKED[profile]
    heads = [bytes([1, function, size]) for size in sizes]
    return len(replies) == len(sizes) and all(
        reply[:3] == head and len(reply) == head[2] + 5 and crc(reply[:-2]) == reply[-2:]
        for head, reply in zip(heads, replies, strict=True)
    )


def _exact(profile: str, replies: list[bytes]) -> Fraction | None:
    """The number in the registers: hundredths, or an IEEE 754 single taken apart by hand; None for no number."""
    raw = int.from_bytes(replies[0][3:7], "big")
    if profile == "modbus-scaled":
        return Fraction(raw, 100) if raw != _OVER else None
    sign, exponent, fraction = raw >> 31, raw >> 23 & 0xFF, raw & 0x7FFFFF
    if exponent == 0xFF:
        return None
    size = Fraction(fraction + (0x800000 if exponent else 0), 2**23) * Fraction(2) ** (max(exponent, 1) - 127)
    return -size if sign else size


def _false(profile: str, replies: list[bytes], value: float, *, good: bool) -> str:
    exact = _exact(profile, replies) if _whole(profile, replies) else None
    if exact is None:
        return f"read as {value}, and the replies hold no number"
    step = Fraction(1, 20) if profile == "modbus-float" else Fraction(1, 200)
    if abs(Fraction(value) - exact) > step + abs(exact) / 10**12:
        return f"read as {value}, the registers hold {float(exact)}"
    status = replies[2][4] if profile == "modbus-scaled" else 0
    if good and (not -step <= exact <= 2_000_000 or status & 7):  # -0.02 is shown as 0.0
        return f"{value} is trusted and should not be (status {status})"
    return ""


def _fooled(profile: str, replies: list[bytes]) -> bool:
    """Would the first reply have been taken without a look at its check sum?"""
    function, _ = _ASKED[profile]
    return replies[0][:3] == bytes([1, function, 4]) and len(replies[0]) >= 7 and crc(replies[0][:7]) != replies[0][7:]
