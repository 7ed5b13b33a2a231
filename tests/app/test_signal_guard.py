"""The first signal ends a rinse; the next ones leave it time for its last words, but not for ever."""

import signal
from collections.abc import Iterator

import pytest

import rinsewatch.cli.signals as signals
from rinsewatch.cli.signals import EndedBySignal, SignalGuard


@pytest.fixture
def heard() -> list[str]:
    return []


@pytest.fixture
def guard(heard: list[str]) -> Iterator[SignalGuard]:
    made = SignalGuard(heard.append)
    made.arm()
    yield made
    made.restore()


def test_the_first_is_told_and_raised_and_later_ones_are_not(guard: SignalGuard, heard: list[str]) -> None:
    with pytest.raises(EndedBySignal) as ended:
        signal.raise_signal(signal.SIGTERM)
    signal.raise_signal(signal.SIGINT)
    assert ended.value.exit_code == 143
    assert heard == ["terminated"]


def test_last_words_are_not_cut_off_at_once(guard: SignalGuard, heard: list[str]) -> None:
    guard.disarm()
    guard.last_words()
    signal.raise_signal(signal.SIGINT)
    signal.raise_signal(signal.SIGINT)
    assert heard == []


def test_last_words_that_do_not_end_can_be_cut_off(guard: SignalGuard, monkeypatch: pytest.MonkeyPatch) -> None:
    guard.disarm()
    guard.last_words()
    monkeypatch.setattr(signals, "_LAST_WORDS_S", -1.0)
    with pytest.raises(KeyboardInterrupt):
        signal.raise_signal(signal.SIGINT)
