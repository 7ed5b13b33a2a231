"""The end of a rinse: its summary for the resin's life and the next forecast, and what only the person knows."""

from __future__ import annotations

import sys
import threading

import click

from rinsewatch.cli.signals import ctrl_c_counts
from rinsewatch.cli.stage import Stage
from rinsewatch.errors import LogbookError
from rinsewatch.logbook.rinsesummary import add_words, figures_of, record_summary
from rinsewatch.logbook.store import Logbook
from rinsewatch.session.snapshot import SessionSnapshot
from rinsewatch.session.stamp import utc_text

_READING_S = 0.3  # nobody has read a question sooner
_LONGEST = 500  # characters of an answer
_QUESTIONS = (
    ("next_step", "What comes next with this resin (Enter: skip)"),
    ("remark", "Anything to note about this rinse (Enter: skip)"),
)


def has_summary(stage: Stage) -> bool:
    """Whether the rinse came to something: it has ended, is stored whole, and had a reading."""
    shown = stage.session.latest
    whole = not (shown.unfinished or unsaved(shown))
    return whole and shown.state is not None and shown.state.filtrate is not None


def unsaved(shown: SessionSnapshot) -> bool:
    """Whether something could not be stored."""
    return bool(shown.waiting or shown.dropped or shown.trouble)


def store_summary(stage: Stage, logbook: Logbook) -> str:
    """Store what the core knows at the end; returns what went wrong, "" if nothing did."""
    figures = figures_of(stage.rinse.core, stage.session.latest.endpoint_ml)
    try:
        record_summary(logbook, stage.rinse_id, utc_text(stage.clock.utc()), figures)
    except LogbookError as error:
        return str(error)
    return ""


def ask_words(stage: Stage, logbook: Logbook) -> None:
    """Ask for what comes next and for notes; Enter skips one, Ctrl-C or the input's end both. Errors: LogbookError."""
    _forget_typed_ahead()
    words: dict[str, str] = {}
    try:
        with ctrl_c_counts():
            for name, question in _QUESTIONS:
                answer = click.prompt(question, default="", show_default=False, err=True)
                words |= {name: text} if (text := " ".join(str(answer).split())[:_LONGEST]) else {}
    except click.Abort:
        click.echo(err=True)
    if words:
        add_words(logbook, stage.rinse_id, utc_text(stage.clock.utc()), words)


def _forget_typed_ahead() -> None:
    """Keys pressed while the dashboard was closing, or before the question can be read, are no answer."""
    try:
        import termios
    except ImportError:  # no POSIX terminal
        return
    threading.Event().wait(_READING_S)
    try:
        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)
    except (OSError, ValueError, termios.error):
        return
