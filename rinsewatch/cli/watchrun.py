"""Runs a stage behind a face until it ends, however it ends; then one honest word and an exit code."""

from __future__ import annotations

import os
import shlex
import signal
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from rinsewatch.cli.faces import DashboardFace, Face, JsonFace, Outlet, PlainFace
from rinsewatch.cli.signals import EndedBySignal, SignalGuard, kept_on_terminal
from rinsewatch.cli.stage import Stage
from rinsewatch.cli.watchend import unsaved
from rinsewatch.cli.watchplanned import planned_line
from rinsewatch.errors import RecordingError
from rinsewatch.logbook.csvwrite import write_recording
from rinsewatch.logbook.location import logbook_path
from rinsewatch.rinse.state import RinseState, Verdict
from rinsewatch.session.commands import BreakOff, Finish
from rinsewatch.session.live import End
from rinsewatch.session.snapshot import SessionSnapshot

DONE, METER_GONE, NOT_SAVED, NOT_REACHED = 0, 3, 4, 5


def choose_face(*, as_json: bool, plain: bool) -> Face:
    """JSON or plain lines where asked for; plain lines where nothing can be drawn; else the dashboard."""
    if as_json:
        return JsonFace()
    return PlainFace() if plain or not can_draw() else DashboardFace()


def can_draw() -> bool:
    """True on a terminal that can move its cursor, with a person who can press keys."""
    able = sys.platform == "win32" or os.environ.get("TERM", "dumb") not in ("", "dumb", "unknown")
    return able and sys.stdout.isatty() and sys.stdin.isatty()


def run_stage(stage: Stage, face: Face, last_words: Callable[[int], int]) -> int:
    """Run to the end; returns the exit code. A signal ends the program properly; the rinse can be continued.

    ``last_words`` is called with the exit code once the rinse is closed, and may change it: a second Ctrl-C does
    not cut it off.
    """
    with kept_on_terminal():
        return _run_guarded(stage, face, last_words)


def _run_guarded(stage: Stage, face: Face, last_words: Callable[[int], int]) -> int:
    leave = BreakOff if stage.go_on else Finish
    guard, by_signal, whole = SignalGuard(lambda reason: stage.session.send(leave(reason))), None, False
    _read_stdin_in_background()
    try:
        guard.arm()
        stage.session.start()
        face.run(stage, guard)
        whole = True
    except EndedBySignal as ended:
        by_signal, whole = ended, True
    finally:
        guard.disarm()
        if not whole:
            stage.session.abandon()
            guard.restore()
    try:
        stage.session.end(leave(by_signal.reason) if by_signal else Finish("finished"))
        guard.last_words()
        shown = stage.session.latest
        return last_words(by_signal.exit_code if by_signal and not unsaved(shown) else exit_code(shown, stage))
    finally:
        if by_signal is None:
            guard.restore()  # else another Ctrl-C on the way out would kill the program, a traceback in its last words


def exit_code(shown: SessionSnapshot, stage: Stage) -> int:
    """The promised exit code of a rinse that has ended."""
    if unsaved(shown):
        return NOT_SAVED
    if shown.ended == End.METER_LOST.value:
        return METER_GONE
    stopped = shown.state is not None and shown.state.verdict is Verdict.STOP
    if stage.policy.until_endpoint and not stopped and shown.ended != End.REACHED.value:
        return NOT_REACHED
    return DONE


def tell_end(stage: Stage, outlet: Outlet) -> None:
    """The last lines: what the rinse came to, where it is recorded, what was not saved."""
    shown = stage.session.latest
    state = shown.state
    verdict = _last_word(state) if state else "no reading came"
    ended = f"rinse {stage.rinse_id} {shown.ended or 'broken off'}"
    outlet.line(f"{ended}: {shown.rinse_ml:.0f} mL poured; {verdict}")
    planned = planned_line(stage.settings, shown.portions, shown.rinse_ml)
    if planned is not None:
        outlet.line(planned)
    if unsaved(shown):
        lost = shown.waiting + shown.dropped
        outlet.line(f"{lost} rows could NOT be saved: {shown.trouble or 'too many waited in memory'}")
        rescued = rescue(stage)
        if rescued is not None:
            outlet.line(f"{rescued[1]} of them were written to {rescued[0]} instead")
    elsewhere = ""
    if stage.logbook != logbook_path(None, os.environ):
        elsewhere = f" --logbook {shlex.quote(str(stage.logbook))}"
    export = f"rinsewatch logbook export {stage.rinse_id} FILE{elsewhere}"
    outlet.line(f"recorded in {stage.logbook}; export it: {export}")
    if shown.ended == End.METER_LOST.value:
        outlet.line("the meter did not come back")
    if shown.unfinished and stage.go_on:
        outlet.line(f"the rinse is not finished; go on with: {stage.go_on}")


def _last_word(state: RinseState) -> str:
    if state.reason.lower() in ("", state.verdict.value, "rinse on"):
        return "the endpoint is not reached" if state.verdict is Verdict.RINSE else state.verdict.value
    return f"{state.verdict.value}: {state.reason}"


def rescue(stage: Stage) -> tuple[Path, int] | None:
    """Write the rows the logbook would not take as a recording beside it, or in the temporary folder.

    Returns the file and the number of rows; None if there were none or no place takes them.
    """
    rows = stage.session.unsaved_rows()
    name = f"rinse-{stage.rinse_id}-unsaved-{stage.clock.utc():%Y%m%dT%H%M%S}.csv"
    for folder in (stage.logbook.parent, Path(tempfile.gettempdir())) if rows else ():
        try:
            return folder / name, write_recording(folder / name, {}, rows)
        except RecordingError:
            continue
    return None


def _read_stdin_in_background() -> None:
    """In the background of a terminal, reading stdin would stop the whole program; let it fail instead."""
    if hasattr(signal, "SIGTTIN"):
        signal.signal(signal.SIGTTIN, signal.SIG_IGN)
