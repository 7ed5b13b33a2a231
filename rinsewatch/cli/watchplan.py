"""From what was asked for to a running rinse: settings, logbook, meter, begin or continue."""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Mapping
from dataclasses import dataclass, replace

from rinsewatch.cli.asking import ask_continue, ask_port, ask_settings, tell_warnings
from rinsewatch.cli.capturing import Capture
from rinsewatch.cli.faces import Outlet
from rinsewatch.cli.meterlink import HAND, open_link, profile_for, unit_of
from rinsewatch.cli.stage import Means, Stage, begin_stage, continue_stage, stored_settings
from rinsewatch.cli.watchrun import choose_face, run_stage, tell_end
from rinsewatch.errors import MeterError, UsageError
from rinsewatch.logbook.location import logbook_path
from rinsewatch.logbook.sanity import setup_warnings
from rinsewatch.logbook.settings import missing_settings
from rinsewatch.logbook.store import Logbook, RinseInfo
from rinsewatch.session.live import Policy
from rinsewatch.session.stamp import utc_text
from rinsewatch_drivers.clock import Clock, SystemClock
from rinsewatch_drivers.profile import Profile


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What the command line of watch said."""

    settings: Mapping[str, object]
    port: str | None = None
    baud: int | None = None
    batch: str = ""
    as_json: bool = False
    plain: bool = False
    until_endpoint: bool = False
    go_on: bool = False
    wait: bool = False
    give_up_s: float = 600.0
    capture_file: str | None = None
    logbook_file: str | None = None

    @property
    def meter(self) -> str | None:
        """The profile asked for."""
        return _meter_of(self.settings)

    @property
    def go_on_command(self) -> str:
        """The command that continues this rinse, to be copied as it stands."""
        valued = (
            ("--port", self.port),
            ("--baud", self.baud),
            ("--meter", self.meter),
            ("--logbook", self.logbook_file),
        )
        flags = (("--json", self.as_json), ("--plain", self.plain), ("--until-endpoint", self.until_endpoint))
        parts = ["rinsewatch", "watch", "--continue"]
        parts += [word for option, value in valued if value is not None for word in (option, str(value))]
        return shlex.join([*parts, *(option for option, given in flags if given)])


def _meter_of(settings: Mapping[str, object]) -> str | None:
    meter = settings.get("meter")
    return None if meter is None else str(meter)


def run_wish(wish: Wish) -> int:
    """Watch one rinse; returns the exit code. Raises the errors that forbid to begin."""
    talks = sys.stdin.isatty() and sys.stdout.isatty() and not wish.as_json
    profile = profile_for(wish.meter)
    if not talks:
        _check_complete(wish)
    with Logbook.open(logbook_path(wish.logbook_file, os.environ)) as logbook:
        logbook.reserve()
        wish, unfinished = _completed(wish, profile, logbook, talks=talks)
        with Capture(wish.capture_file) as capture:
            stage = _stage(wish, profile, logbook, unfinished, capture)
            code = run_stage(stage, choose_face(as_json=wish.as_json, plain=wish.plain))
            tell_end(stage, Outlet(sys.stderr if wish.as_json else sys.stdout))
            return code


def _check_complete(wish: Wish) -> None:
    """Without a person to ask, everything must have been said. Raises UsageError naming what was not."""
    missing = [] if wish.go_on else missing_settings(wish.settings)
    if wish.port is None:
        missing.append("--port /dev/ttyUSB0 (or --port hand)")
    if missing:
        raise UsageError("not everything needed was said; still missing: " + ", ".join(missing))
    if not wish.go_on:
        stored_settings(wish.settings)


def _completed(wish: Wish, profile: Profile | None, logbook: Logbook, *, talks: bool) -> tuple[Wish, RinseInfo | None]:
    """The wish with what was asked for filled in, and the rinse to go on with, if one."""
    if talks and wish.port is not None:
        _try_port(wish, profile, wish.port)  # no questions for nothing
    unfinished = _unfinished(wish, logbook, talks=talks)
    if not talks:
        if unfinished is None:
            tell_warnings(setup_warnings(wish.settings))
        return wish, unfinished
    last = logbook.last_answers()
    port = wish.port or ask_port(last, lambda name: _check_port(wish, profile, name))
    if unfinished is not None:
        logbook.save_answers({"port": port})
        return replace(wish, port=port), unfinished
    settings = ask_settings(wish.settings, last, unit_of(profile))
    stored_settings(settings)
    # last time's answer to a question that was left open now is forgotten
    left: dict[str, object] = dict.fromkeys(("portion_ml", "flow_ml_min", "rinse_water", "top"))
    logbook.save_answers({**left, **settings, "port": port})
    return replace(wish, settings=settings, port=port), None


def _try_port(wish: Wish, profile: Profile | None, port: str) -> None:
    """Open and close it: before the questions, not after. Raises MeterError."""
    if port != HAND:
        open_link(port, profile, baud=wish.baud, clock=SystemClock(), wait=wish.wait).close()


def _check_port(wish: Wish, profile: Profile | None, port: str) -> None:
    try:
        _try_port(wish, profile, port)
    except MeterError as error:
        raise UsageError(str(error)) from error


def _unfinished(wish: Wish, logbook: Logbook, *, talks: bool) -> RinseInfo | None:
    waiting = logbook.open_rinses()
    if not waiting:
        if wish.go_on:
            raise UsageError(f"--continue: there is no unfinished rinse in {logbook.path}")
        return None
    if wish.go_on:
        return waiting[-1]
    last = waiting[-1]
    name = f" of batch {last.batch}" if last.batch else ""
    words = f"Rinse {last.id}{name}, begun {last.started_utc}, was not finished ({last.rows} rows stored)."
    if not talks:
        print(f"rinsewatch: {words} --continue goes on with it; this is a new one.", file=sys.stderr)
        return None
    if ask_continue(words):
        return last
    writer, _ = logbook.continue_rinse(last.id)
    with writer:
        writer.close_rinse("not continued", "", utc=utc_text(SystemClock().utc()))
    return None


def _stage(
    wish: Wish, profile: Profile | None, logbook: Logbook, unfinished: RinseInfo | None, capture: Capture
) -> Stage:
    clock: Clock = SystemClock()
    port = wish.port or HAND
    if unfinished is not None and profile is None:
        profile = profile_for(_meter_of(unfinished.settings))
    link = None
    if port != HAND:
        link = open_link(port, profile, baud=wish.baud, clock=clock, wait=wish.wait, tap=capture.tap)
    means = Means(
        clock=clock,
        link=link,
        port=port,
        policy=Policy(wish.until_endpoint, wish.give_up_s),
        wants_rows=wish.as_json,
        go_on=wish.go_on_command,
        warnings=() if unfinished else tuple(setup_warnings(wish.settings)),
    )
    if unfinished is not None:
        return continue_stage(logbook, unfinished, means)
    return begin_stage(logbook, wish.settings, wish.batch, means)
