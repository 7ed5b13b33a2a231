"""Frames must not depend on how the bytes were cut, nor grow without bound."""

from __future__ import annotations

import itertools
import random
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rinsewatch_drivers.framing import DEFAULT_ENDS, Frame, FrameKind, LineFramer, reduced_ends

ENDS = [DEFAULT_ENDS, (b"\r\n",), (b"\r\n", b"\n", b"\r"), (b";\n",), (b"\x03",), (b"aab",)]
# few different bytes, so that terminators and parts of them are frequent
PIECES = [b"1", b"a", b"b", b"\r", b"\n", b"\f", b";", b"\x03", b"x" * 30]
STREAM = st.lists(st.sampled_from(PIECES), max_size=60)


def _frames(framer: LineFramer, pieces: list[bytes]) -> list[Frame]:
    return [frame for piece in pieces for frame in framer.feed(piece)] + framer.cut()


@given(STREAM, st.sampled_from(ENDS), st.lists(st.integers(0, 400), max_size=30), st.integers(4, 40))
@settings(max_examples=400, deadline=None)
def test_any_chunks_give_the_same_frames(
    parts: list[bytes], ends: tuple[bytes, ...], cuts: list[int], max_bytes: int
) -> None:
    data = b"".join(parts)
    edges = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    pieces = [data[a:b] for a, b in itertools.pairwise(edges)]
    whole = _frames(LineFramer(ends, max_bytes), [data])
    assert _frames(LineFramer(ends, max_bytes), pieces) == whole
    assert _frames(LineFramer(ends, max_bytes), [bytes([b]) for b in data]) == whole


@given(st.lists(st.binary(max_size=700), max_size=8))
@settings(max_examples=100, deadline=None)
def test_never_more_than_256_bytes_are_held(pieces: list[bytes]) -> None:
    framer = LineFramer()
    for piece in pieces:
        assert all(len(frame.data) <= 256 for frame in framer.feed(piece))
        assert framer.buffered <= 256


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n", b"\n\r", b"\f", b"\r\n\r\n"])
def test_the_usual_line_ends_read_alike(end: bytes) -> None:
    frames = LineFramer().feed(end + b"12 ppm" + end + b"13 ppm" + end)
    assert frames == [Frame(b"12 ppm"), Frame(b"13 ppm")]


def test_all_256_values_come_through_raw() -> None:
    for value in set(range(256)) - {0x0A, 0x0C, 0x0D}:
        assert LineFramer(joined=True).feed(bytes([value]) * 40 + b"\n") == [Frame(bytes([value]) * 40)]


def test_the_line_joined_in_its_middle_is_told_apart() -> None:
    assert LineFramer().feed(b"12 ppm\n13 ppm\n") == [Frame(b"12 ppm", FrameKind.FIRST), Frame(b"13 ppm")]
    assert LineFramer(joined=True).feed(b"12 ppm\n") == [Frame(b"12 ppm")]


def test_a_half_line_at_the_end_is_cut_and_the_next_is_a_first_again() -> None:
    framer = LineFramer(joined=True)
    assert framer.feed(b"123.") == []
    assert framer.cut() == [Frame(b"123.", FrameKind.CUT)]
    assert framer.feed(b"4 ppm\n") == [Frame(b"4 ppm", FrameKind.FIRST)]


def test_silence_ends_a_line_where_it_should() -> None:
    framer = LineFramer(joined=True)
    framer.feed(b"12 ppm")
    assert framer.idle() == [Frame(b"12 ppm")]
    assert framer.idle() == []


def test_exactly_the_longest_line_passes_and_one_more_byte_does_not() -> None:
    assert LineFramer(joined=True).feed(b"1" * 256 + b"\n")[0].kind is FrameKind.LINE
    frame, after = LineFramer(joined=True).feed(b"1" * 257 + b"\n" + b"2\n")
    assert (frame.kind, len(frame.data), after) == (FrameKind.OVERLONG, 256, Frame(b"2"))


def test_the_longest_line_passes_bytewise_with_a_terminator_of_two() -> None:
    framer = LineFramer((b"\r\n",), 4, joined=True)
    frames = [frame for byte in b"1234\r\n12345\r\n1\r\n" for frame in framer.feed(bytes([byte]))]
    assert frames == [Frame(b"1234"), Frame(b"1234", FrameKind.OVERLONG), Frame(b"1")]


def test_ten_megabytes_without_an_end_are_one_event_and_fast() -> None:
    framer = LineFramer()
    chunk = bytes(random.Random(1).choices(b"0123456789 .", k=10_000))
    began_s = time.process_time()
    frames = [frame for _ in range(1000) for frame in framer.feed(chunk)]
    assert time.process_time() - began_s < 1.0
    assert [frame.kind for frame in frames] == [FrameKind.OVERLONG]
    assert framer.feed(b"\n12 ppm\n") == [Frame(b"12 ppm")]


def test_ends_made_of_other_ends_are_dropped() -> None:
    assert reduced_ends((b"\r\n", b"\n", b"\r")) == (b"\n", b"\r")
    assert reduced_ends((b"\r\n",)) == (b"\r\n",)
