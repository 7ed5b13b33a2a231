"""Lines instead of the dashboard: for pipes, logs, dumb terminals and screen readers."""

from __future__ import annotations

from rinsewatch.rinse.state import Verdict
from rinsewatch.screen.snapshot import Snapshot
from rinsewatch.screen.text import one_line
from rinsewatch.screen.view import (
    clock_words,
    is_saved,
    reading_words,
    reason_words,
    record_words,
    remaining_words,
    verdict_action,
    verdict_title,
    volume_words,
)

_LEAST_GAP_S = 1.0


def plain_line(snapshot: Snapshot) -> str:
    """One line: clock, water, reading and its meaning, verdict, what is left; the reason unless it runs."""
    parts = [clock_words(snapshot.elapsed_s), volume_words(snapshot.poured_ml), reading_words(snapshot)]
    state = snapshot.state
    if state is not None and state.verdict is Verdict.RINSE:
        parts += [verdict_title(snapshot), remaining_words(snapshot)]
    else:
        parts += [f"*** {verdict_title(snapshot)}: {verdict_action(snapshot)} ***", reason_words(snapshot)]
    if not is_saved(snapshot):
        parts.append(record_words(snapshot))
    return one_line(" | ".join(parts), ascii_only=True)


class PlainTeller:
    """Chooses which snapshots are worth a line: each change, at most about one a second."""

    def __init__(self) -> None:
        self._last: Snapshot | None = None

    def line_for(self, snapshot: Snapshot) -> str | None:
        """The line to print, or None. A new verdict or message, or lost storage, is told at once;
        a new reading or portion waits until a second (of the snapshot's clock) has passed."""
        last = self._last
        if last is not None and not _worth_telling(snapshot, last):
            return None
        self._last = snapshot
        new_message = snapshot.message if last is None or snapshot.message != last.message else ""
        return plain_line(snapshot) + (f" | {one_line(new_message, True)}" if new_message else "")


def _worth_telling(snapshot: Snapshot, last: Snapshot) -> bool:
    if _urgent(snapshot) != _urgent(last):
        return True
    # Either way: a clock set back must not silence the lines.
    rested = abs(snapshot.elapsed_s - last.elapsed_s) >= _LEAST_GAP_S
    return rested and _ordinary(snapshot) != _ordinary(last)


def _urgent(snapshot: Snapshot) -> tuple[object, ...]:
    verdict = snapshot.state.verdict if snapshot.state else None
    return verdict, is_saved(snapshot), snapshot.paused, snapshot.finished, snapshot.message


def _ordinary(snapshot: Snapshot) -> tuple[object, ...]:
    words = remaining_words(snapshot) if snapshot.state else ""
    return snapshot.last_reading_text, snapshot.portions, words
