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
from rinsewatch.cli.options import SETTINGS
from rinsewatch.cli.stage import Means, Stage, begin_stage, continue_stage, stored_settings
from rinsewatch.cli.watchend import ask_words, has_summary, store_summary
from rinsewatch.cli.watchresin import ask_resin, learned_settings, name_of, resin_named, resin_volume_ml
from rinsewatch.cli.watchrun import NOT_SAVED, can_draw, choose_face, run_stage, tell_end
from rinsewatch.errors import MeterError, UsageError
from rinsewatch.logbook.ledger import Item
from rinsewatch.logbook.location import logbook_path
from rinsewatch.logbook.sanity import setup_warnings
from rinsewatch.logbook.settings import check_given, missing_settings
from rinsewatch.logbook.store import Logbook, RinseInfo
from rinsewatch.logbook.values import local_minute
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
    resin: str | None = None
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
    check_given(wish.settings)  # before what is missing is named or asked for
    if wish.go_on and wish.resin is not None:
        raise UsageError("--resin: an unfinished rinse keeps the resin it began with; leave --resin or --continue out")
    if not talks and not (wish.resin or wish.batch):
        _check_complete(wish)
    if wish.port is not None and not wish.port.strip():
        raise UsageError("--port: nothing is named; give the meter's port, as /dev/ttyUSB0, or 'hand' to type readings")
    path = logbook_path(wish.logbook_file, os.environ)
    if wish.go_on and not path.exists():
        raise UsageError(f"--continue: there is no logbook {path}, so no unfinished rinse; --logbook names another")
    with Logbook.open(path) as logbook:
        logbook.reserve()
        wish, unfinished = _completed(wish, profile, logbook, talks=talks)
        outlet = Outlet(sys.stderr if wish.as_json else sys.stdout)
        with Capture(wish.capture_file) as capture:
            stage = _stage(wish, profile, logbook, unfinished, capture)
            if stage.starts_from:
                outlet.line(stage.starts_from)
            face = choose_face(as_json=wish.as_json, plain=wish.plain)
            code = run_stage(stage, face, lambda code: _kept(stage, logbook, code, outlet))
        if has_summary(stage) and not code and _may_ask(wish):
            ask_words(stage, logbook)
        return code


def _kept(stage: Stage, logbook: Logbook, code: int, outlet: Outlet) -> int:
    """Store the summary of a rinse that has ended and tell how it ended; the exit code, 4 if that was not stored."""
    trouble = store_summary(stage, logbook) if has_summary(stage) else ""
    tell_end(stage, outlet)
    if trouble:
        outlet.line(f"its summary could NOT be stored: {trouble}")
    return NOT_SAVED if trouble else code


def _check_kept(wish: Wish, info: RinseInfo) -> None:
    """What an unfinished rinse began with cannot be changed by continuing it; said, not ignored. Raises UsageError."""
    asked, kept = stored_settings({**info.settings, **wish.settings}), stored_settings(dict(info.settings))
    other = [f"--{name.replace('_', '-')}" for name in wish.settings if asked.get(name) != kept.get(name)]
    if other:
        words = "an unfinished rinse keeps the settings it began with"
        raise UsageError(f"{', '.join(other)}: {words}; leave that or --continue out")


def _may_ask(wish: Wish) -> bool:
    """Only a person at the dashboard is asked at the end: whatever runs by itself must not be held up."""
    return can_draw() and not (wish.as_json or wish.plain or wish.until_endpoint)


def _check_complete(wish: Wish, resin: Item | None = None) -> None:
    """Without a person to ask, everything must have been said. Raises UsageError naming what was not."""
    missing = [] if wish.go_on else missing_settings(wish.settings)
    if resin is not None:
        why = f" (resin {name_of(resin)} is a mixed bed: how much of it is rinsed?)"
        missing = [example + (why if example.startswith("--resin-ml") else "") for example in missing]
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
    resin = None if unfinished else resin_named(logbook, wish.resin, wish.batch)
    if resin is not None:
        wish = _with_volume(wish, logbook, resin)
    if not talks:
        _check_complete(wish, resin)
        if unfinished is None:
            tell_warnings(setup_warnings(wish.settings))
        return _knowing(wish, logbook, resin), unfinished
    last = logbook.last_answers()
    port = wish.port or ask_port(last, lambda name: _check_port(wish, profile, name))
    if unfinished is not None:
        logbook.save_answers({"port": port})
        return replace(wish, port=port), unfinished
    if resin is None and missing_settings(wish.settings):
        resin = ask_resin(logbook, last)
    volume_ml = None if resin is None else resin_volume_ml(logbook, resin, wish.settings.get("residue"))
    defaults = last if volume_ml is None else {**last, "resin_ml": f"{volume_ml:g}"}
    settings = ask_settings(wish.settings, defaults, unit_of(profile))
    stored_settings(settings)
    # last time's answer to a question that was left open now is forgotten
    left: dict[str, object] = dict.fromkeys(("portion_ml", "flow_ml_min", "rinse_water", "water_state", "top", "resin"))
    said = {name: value for name, value in settings.items() if name in SETTINGS}
    logbook.save_answers({**left, **said, "port": port, **({"resin": name_of(resin)} if resin else {})})
    return _knowing(replace(wish, settings=settings, port=port), logbook, resin), None


def _with_volume(wish: Wish, logbook: Logbook, resin: Item) -> Wish:
    """The resin's volume is taken where nothing else is missing, so that nothing is asked."""
    volume_ml = resin_volume_ml(logbook, resin, wish.settings.get("residue"))
    filled = {**wish.settings, "resin_ml": wish.settings.get("resin_ml", volume_ml)}
    return wish if missing_settings(filled) else replace(wish, settings=filled)


def _knowing(wish: Wish, logbook: Logbook, resin: Item | None) -> Wish:
    """The wish with what is known of its resin."""
    if resin is None:
        return wish
    return replace(wish, settings={**wish.settings, **learned_settings(logbook, resin, wish.settings)})


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
        _check_kept(wish, waiting[-1])
        return waiting[-1]
    last = waiting[-1]
    stored = "1 row" if last.rows == 1 else f"{last.rows} rows"
    name = f" of batch {last.batch}" if last.batch else ""
    words = f"Rinse {last.id}{name}, begun {local_minute(last.started_utc)}, was not finished ({stored} stored)."
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
