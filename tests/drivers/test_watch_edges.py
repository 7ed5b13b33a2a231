"""The state of a link at its edges: silence, garbage, a shaky plug, and since when."""

from __future__ import annotations

import pytest

from rinsewatch_drivers.reading import LinkEvent, LinkState
from rinsewatch_drivers.watch import GARBAGE_AFTER_FRAMES, LinkWatch

OPEN_S = 500.0  # the computer has been on for a while


def _watch(period_s: float | None = None) -> LinkWatch:
    return LinkWatch("meter", OPEN_S, period_s)


def _line(watch: LinkWatch, at_s: float, *, fits: bool = True) -> None:
    """A line of eight bytes, at a time counted from the opening."""
    watch.bytes_came(8, OPEN_S + at_s)
    watch.frame_came(fits, OPEN_S + at_s)


def _states(events: list[LinkEvent]) -> list[LinkState]:
    return [event.state for event in events]


def test_silence_is_told_after_three_periods_and_at_least_five_seconds() -> None:
    assert [_watch(period_s).stale_after_s for period_s in (None, 0.2, 10.0, 300.0)] == [5.0, 5.0, 30.0, 900.0]
    watch = _watch(10.0)
    _line(watch, 0.0)
    assert watch.check(OPEN_S + 29.9) == []
    (told,) = watch.check(OPEN_S + 30.0)
    assert told.state is LinkState.SILENT and "nothing heard for 30 s" in told.detail
    assert watch.check(OPEN_S + 31.0) == []  # once


def test_the_period_is_learned_from_three_gaps_and_lines_at_one_moment_are_no_gap() -> None:
    watch = _watch()
    for n in range(3):
        _line(watch, 20.0 * n)
        _line(watch, 20.0 * n)
    assert watch.period_s is None
    _line(watch, 60.0)
    _line(watch, 60.0)
    assert (watch.period_s, watch.stale_after_s) == (20.0, 60.0)


def test_many_odd_lines_are_garbage_at_once() -> None:
    watch = _watch()
    _line(watch, 0.0)
    for n in range(GARBAGE_AFTER_FRAMES - 1):
        watch.frame_came(False, OPEN_S + 0.01 * n)
    assert watch.check(OPEN_S + 1.0) == []
    watch.frame_came(False, OPEN_S + 1.0)
    (told,) = watch.check(OPEN_S + 1.0)
    assert told.state is LinkState.GARBAGE and "meter" in told.detail


@pytest.mark.parametrize(
    ("times_s", "size", "lines", "garbage"),
    [
        ((0.0, 4.0, 8.0), 2, True, True),  # three odd lines
        ((0.0, 8.0), 2, True, False),  # two
        ((0.0, 2.5, 5.0, 7.5, 9.5), 2, False, True),  # five bursts without a line's end
        ((0.0, 3.0, 6.0, 9.0), 2, False, False),  # four
        ((7.8, 8.4, 9.0, 9.6, 0.0), 2, False, True),  # 0.6 s apart are bursts of their own
        ((0.0, *(6.0 + 0.1 * n for n in range(20))), 1, False, False),  # 0.1 s apart are one
        ((0.0, 6.0), 16, False, True),  # 32 bytes
        ((0.0, 6.0), 15, False, False),
    ],
)
def test_ten_seconds_of_what_is_no_reading(times_s: tuple[float, ...], size: int, lines: bool, garbage: bool) -> None:
    """A single odd line of a slow meter is none; read far too slowly, a whole line is only two odd bytes."""
    for before in (False, True):
        watch = _watch()
        if before:  # a sound line takes all back
            for _ in range(3):
                watch.bytes_came(30, OPEN_S - 40.0)
                watch.frame_came(False, OPEN_S - 40.0)
            _line(watch, -30.0)
        for at_s in sorted(times_s):
            watch.bytes_came(size, OPEN_S + at_s)
            if lines:
                watch.frame_came(False, OPEN_S + at_s)
        assert LinkState.GARBAGE not in _states(watch.check(OPEN_S + 9.9))
        assert (LinkState.GARBAGE in _states(watch.check(OPEN_S + 10.0))) is garbage


def test_back_tells_how_long_it_was_away_from_the_first_trouble_on() -> None:
    watch = _watch()
    _line(watch, 0.0)
    assert _states(watch.check(OPEN_S + 5.0)) == [LinkState.SILENT]
    for n in range(25):
        _line(watch, 6.0 + 0.1 * n, fits=False)
    assert _states(watch.check(OPEN_S + 9.0)) == [LinkState.GARBAGE]
    assert _states(watch.lost("pulled", OPEN_S + 10.0)) == [LinkState.LOST]
    watch.reopened(OPEN_S + 20.0)
    assert watch.check(OPEN_S + 20.0) == []  # nothing is known of the meter yet
    _line(watch, 20.0)
    (told,) = watch.check(OPEN_S + 20.0)
    assert (told.state, told.detail) == (LinkState.BACK, "meter back after 15.0 s")


def _flap(watch: LinkWatch, times_s: list[float]) -> None:
    """Lost and there again, with a line, at each of these times."""
    for at_s in times_s:
        watch.lost("pulled", OPEN_S + at_s)
        watch.reopened(OPEN_S + at_s)
        _line(watch, at_s)


@pytest.mark.parametrize(
    ("times_s", "at_once"),
    [
        ([0.0, 10.0, 20.0, 30.0], True),
        ([0.0, 10.0, 20.0, 30.0, 40.0], False),  # five within a minute
        ([0.0, 25.0, 50.0, 75.0, 100.0], True),  # five, but not within a minute
    ],
)
def test_a_shaky_plug_is_told_back_only_once_it_has_held_for_a_second(times_s: list[float], at_once: bool) -> None:
    watch, last_s = _watch(), OPEN_S + times_s[-1]
    _flap(watch, times_s)
    assert (_states(watch.check(last_s)) == [LinkState.BACK]) is at_once
    assert watch.check(last_s + 0.9) == []
    assert (_states(watch.check(last_s + 1.0)) == [LinkState.BACK]) is not at_once


def test_lost_again_before_it_was_told_back_is_told_once() -> None:
    watch = _watch()
    assert _states(watch.lost("pulled", OPEN_S)) == [LinkState.LOST]
    watch.reopened(OPEN_S + 1.0)
    assert watch.lost("pulled", OPEN_S + 2.0) == []
    assert watch.check(OPEN_S + 60.0) == []  # lost is lost, not silent
    assert watch.state is LinkState.LOST
