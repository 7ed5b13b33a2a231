"""Fuzz campaign: bytes bent in the ways files and lines get bent, and in the ways that hurt parsers."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

# What numbers and words are not, and what parsers stumble over.
NASTY = (
    b"nan", b"NaN", b"inf", b"-inf", b"1e5", b"1e999", b"1e-999", b"1E400", b"0x10", b"1_000", b"1,5", b"1.234,5",
    b".5", b"5.", b"--1", b"+-1", b"9" * 13, b"9" * 60, b"9" * 400, b"0." + b"1" * 30, b"-0", b"-0.0", b"\xd9\xa3",
    b"\xef\xbc\x91", b"\xc2\xb2", b"\x00", b"\xff", b"\xfe\xff", b"\xff\xfe", b"\xef\xbb\xbf", b"\x1b[2J", b"\x85",
    b"\xe2\x80\xa8", b"\xc2\x85", b"\xed\xa0\x80", b"\\ud800", b"\r", b"\n", b"\r\n", b"\t", b"\x0b", b"\x1c", b'"',
    b'""', b"'", b"'''", b",", b";", b"=", b":", b"#", b"[", b"]", b"{", b"}", b"[[", b"\\", b"%s", b"null", b"true",
    b"OL", b"----", b"Err", b">1999", b"HOLD", b" ", b"  ", b"\xc2\xb5", b"\xce\xbc", b"\xb5", b"\xb0", b"99999-99-99",
    b"0000-00-00", b"2026-02-30", b"31/12/2026", b"-1", b"0", b"1" * 5000, b"=" + b"[" * 3000,
)  # fmt: skip

Bend = Callable[[random.Random, bytearray], None]


def bent(rng: random.Random, data: bytes, words: Sequence[bytes] = NASTY, most: int = 4) -> bytes:
    """``data`` with one to ``most`` bends; ``words`` are put in, among others."""
    found = bytearray(data)
    for _ in range(rng.randint(1, most)):
        bend = rng.choice(_BENDS)
        if bend is _put_in:
            place = rng.randint(0, len(found))
            found[place:place] = rng.choice(words)
        else:
            bend(rng, found)
    return bytes(found)


def _span(rng: random.Random, data: bytearray, most: int = 12) -> tuple[int, int]:
    begin = rng.randint(0, len(data))
    return begin, min(len(data), begin + rng.randint(1, most))


def _put_in(rng: random.Random, data: bytearray) -> None:
    """Done by ``bent``, which knows the words."""


def _flip(rng: random.Random, data: bytearray) -> None:
    if data:
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)


def _set(rng: random.Random, data: bytearray) -> None:
    if data:
        data[rng.randrange(len(data))] = rng.randrange(256)


def _cut_out(rng: random.Random, data: bytearray) -> None:
    begin, end = _span(rng, data)
    del data[begin:end]


def _double(rng: random.Random, data: bytearray) -> None:
    begin, end = _span(rng, data)
    data[begin:begin] = data[begin:end]


def _cut_off(rng: random.Random, data: bytearray) -> None:
    del data[rng.randint(0, len(data)) :]


def _behead(rng: random.Random, data: bytearray) -> None:
    del data[: rng.randint(0, len(data))]


def _noise(rng: random.Random, data: bytearray) -> None:
    place = rng.randint(0, len(data))
    data[place:place] = rng.randbytes(rng.randint(1, 6))


def _exchange(rng: random.Random, data: bytearray) -> None:
    """Two pieces change places, or one is copied over another."""
    begin, end = _span(rng, data)
    piece = bytes(data[begin:end])
    other, until = _span(rng, data)
    data[other:until] = piece


def _glue(rng: random.Random, data: bytearray) -> None:
    """Followed by itself, short of some bytes: a line end lost."""
    data += data[rng.randint(0, min(8, len(data))) :]


def _digit(rng: random.Random, data: bytearray) -> None:
    places = [place for place, byte in enumerate(data) if 0x30 <= byte <= 0x39]
    if places:
        place = rng.choice(places)
        data[place : place + 1] = rng.choice((b"", b"0", b"99", b".", b"1.", b"-", b"e", b"7"))


_BENDS: tuple[Bend, ...] = (
    _flip, _set, _cut_out, _double, _cut_off, _behead, _noise, _exchange, _glue, _digit, _digit, _put_in, _put_in,
)  # fmt: skip
