"""Single keys through a real pty: one key one action, pastes never act, the terminal always comes back."""

from __future__ import annotations

import os
import sys
import termios
import threading
from collections.abc import Iterator
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rinsewatch.screen.ask import Answer, Question
from rinsewatch.screen.keys import (
    BACKSPACE,
    ENTER,
    ESCAPE,
    KEY_LIST,
    KEYMAP,
    PASTED,
    ConsoleKeys,
    KeyAction,
    KeyDecoder,
    TerminalKeys,
    action_for,
    open_keys,
)

WAIT_S = 2.0  # an upper limit for a byte to cross the pty; reached only when a test fails


@pytest.fixture
def pty() -> Iterator[tuple[int, int]]:
    master, slave = os.openpty()
    yield master, slave
    for descriptor in (master, slave):
        with suppress(OSError):  # the test may have closed it itself
            os.close(descriptor)


def test_every_action_has_one_key_and_stands_in_the_list() -> None:
    assert set(KEYMAP.values()) == set(KeyAction)
    assert [key for key, _ in KEY_LIST] == [
        "space" if k == " " else k for k in ["p", "u", "v", "=", *"fwkn", " ", *"cq?"]
    ]
    assert action_for("P") is KeyAction.PORTION
    assert action_for("x") is None and action_for(ENTER) is None and action_for(PASTED) is None


@pytest.mark.parametrize("key", list(KEYMAP))
def test_each_key_arrives_as_itself(pty: tuple[int, int], key: str) -> None:
    with TerminalKeys(pty[1]) as keys:
        os.write(pty[0], key.encode())
        assert keys.read(WAIT_S) == (key,)


def test_terminal_is_restored_after_the_block_and_after_an_exception(pty: tuple[int, int]) -> None:
    before = termios.tcgetattr(pty[1])
    with TerminalKeys(pty[1]):
        during = termios.tcgetattr(pty[1])
    assert not during[3] & (termios.ICANON | termios.ECHO)
    assert during[3] & termios.ISIG  # Ctrl-C and Ctrl-Z keep their meaning
    assert termios.tcgetattr(pty[1]) == before
    with pytest.raises(ZeroDivisionError), TerminalKeys(pty[1]):
        raise ZeroDivisionError
    assert termios.tcgetattr(pty[1]) == before


def test_suspend_gives_the_terminal_back_and_resume_takes_it_again(pty: tuple[int, int]) -> None:
    before = termios.tcgetattr(pty[1])
    with TerminalKeys(pty[1]) as keys:
        keys.suspend()
        assert termios.tcgetattr(pty[1]) == before
        keys.resume()
        os.write(pty[0], b"p")
        assert keys.read(WAIT_S) == ("p",)
    assert termios.tcgetattr(pty[1]) == before


def test_keys_left_over_do_not_reach_the_shell(pty: tuple[int, int]) -> None:
    with TerminalKeys(pty[1]) as keys:
        os.write(pty[0], b"p")
        assert keys.read(WAIT_S) == ("p",)
        os.write(pty[0], b"qq\n")
    os.set_blocking(pty[1], False)
    with pytest.raises(BlockingIOError):
        os.read(pty[1], 10)


def test_a_flood_of_pasted_keys_is_one_event_and_acts_on_nothing(pty: tuple[int, int]) -> None:
    got: list[str] = []
    with TerminalKeys(pty[1]) as keys:
        writer = threading.Thread(target=os.write, args=(pty[0], b"pq" * 2500))
        writer.start()
        while not got:
            got += keys.read(WAIT_S)
        writer.join()
        got += keys.read(0.0)
        os.write(pty[0], b"u")
        got += keys.read(WAIT_S)
    assert got == [PASTED, "u"]


def test_an_escape_sequence_in_two_halves_is_still_swallowed(pty: tuple[int, int]) -> None:
    with TerminalKeys(pty[1]) as keys:
        os.write(pty[0], b"\x1bO")
        late = threading.Timer(0.01, os.write, args=(pty[0], b"p"))  # keypad: must not count as a portion
        late.start()
        assert keys.read(WAIT_S) == ()
        late.join()
        assert keys.read(0.0) == ()


def test_a_terminal_that_hangs_up_is_closed_and_quiet(pty: tuple[int, int]) -> None:
    with TerminalKeys(pty[1]) as keys:
        os.close(pty[0])
        assert keys.read(WAIT_S) == ()
        assert keys.closed
        assert keys.read(0.0) == ()


def test_no_terminal_is_no_error() -> None:
    end, other = os.pipe()
    with open_keys(end) as keys:
        os.write(other, b"p")
        assert keys.read(WAIT_S) == ("p",)
        os.close(other)
        assert keys.read(WAIT_S) == () and keys.closed
    os.close(end)


@pytest.mark.parametrize(
    ("data", "keys"),
    [
        (b"\x1b[A", ()),  # arrow
        (b"\x1b[1;5C", ()),  # Ctrl and arrow
        (b"\x1bOP", ()),  # F1
        (b"\x1bp", ()),  # Alt and p
        (b"\x1b[M p!", ()),  # old mouse report
        (b"\x1b[<0;10;10M\x1b[<0;10;10m", ()),  # new mouse report, press and release
        (b"\x1b", (ESCAPE,)),
        (b"\x1b[", ()),  # cut short
        (b"\r", (ENTER,)),
        (b"\n", (ENTER,)),
        (b"\x7f", (BACKSPACE,)),
        (b"\x00\x01\t", ()),
        (b"\xc3", ()),  # half a character
        ("\u00fc".encode(), ("\u00fc",)),
        (b"12345678", tuple("12345678")),
        (b"123456789", (PASTED,)),
    ],
)
def test_decoding(data: bytes, keys: tuple[str, ...]) -> None:
    assert KeyDecoder().keys(data) == keys


def test_halves_of_a_character_join_across_reads() -> None:
    decoder = KeyDecoder()
    assert decoder.keys(b"\xc3") == ()
    assert decoder.keys(b"\xbc") == ("\u00fc",)


@given(st.lists(st.binary(max_size=40), max_size=5))
def test_no_bytes_break_the_decoder(chunks: list[bytes]) -> None:
    decoder = KeyDecoder()
    for data in chunks:
        keys = decoder.keys(data)
        assert all(len(key) == 1 or key in (ENTER, BACKSPACE, ESCAPE, PASTED) for key in keys)
        assert len(data) <= 8 or keys in ((), (PASTED,))


class Typed:
    """A Windows console's two calls; characters wait until they are fetched."""

    def __init__(self, chars: str) -> None:
        self.chars = list(chars)

    def kbhit(self) -> bool:
        return bool(self.chars)

    def getwch(self) -> str:
        return self.chars.pop(0)


@pytest.mark.parametrize(
    ("chars", "keys"),
    [
        ("p", ("p",)),
        ("\xe0H", ()),
        ("\x00;", ()),
        ("\r", (ENTER,)),
        ("\x08", (BACKSPACE,)),
        ("\x1b", (ESCAPE,)),
        ("p" * 9, (PASTED,)),
        ("\xe0H" * 6, ()),
        ("", ()),
    ],
)
def test_windows_console_keys(chars: str, keys: tuple[str, ...]) -> None:
    with ConsoleKeys(Typed(chars)) as reader:
        assert reader.read(0.0) == keys


def test_windows_ctrl_c_interrupts() -> None:
    with pytest.raises(KeyboardInterrupt):
        ConsoleKeys(Typed("\x03")).read(0.0)


def test_the_reader_fits_the_platform() -> None:
    assert type(open_keys()).__name__ == ("ConsoleKeys" if sys.platform == "win32" else "TerminalKeys")


def press(question: Question, *keys: str) -> Question:
    for key in keys:
        question = question.press(key)
    return question


def test_a_question_is_answered_key_by_key() -> None:
    asked = Question("New portion volume (mL): ")
    typing = press(asked, "2", "5", "x", BACKSPACE, PASTED)
    assert typing.words == "New portion volume (mL): 25_"
    given_ = press(typing, "0", ENTER, "9")
    assert (given_.answer, given_.text, given_.words) == (Answer.GIVEN, "250", "")
    assert press(typing, ESCAPE).answer is Answer.LEFT
    assert press(asked, BACKSPACE).text == ""
    assert len(press(asked, *("a" * 500)).text) == 200
