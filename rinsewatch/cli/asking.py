"""The few questions before a rinse, with last time's answers as defaults."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import click

from rinsewatch.cli.meterlink import HAND, port_names
from rinsewatch.cli.signals import ctrl_c_counts
from rinsewatch.errors import UsageError
from rinsewatch.logbook.sanity import setup_warnings
from rinsewatch.logbook.settings import check_given, missing_settings, parse_factor, parse_water_state
from rinsewatch.quantities import TDS_UNITS, parse_flow_ml_min, parse_quantity, parse_reading, parse_volume_ml
from rinsewatch.rinse.setup import Endpoint, Residue

UNKNOWN = "not known"
Check = Callable[[str], object]


Settings = dict[str, object]
Step = Callable[[Settings, Mapping[str, object]], None]


def ask_settings(given: Mapping[str, object], last: Mapping[str, object], meter_unit: str = "") -> Settings:
    """``given`` completed by asking for what is missing; ``last`` are the defaults. Raises click.Abort.

    ``meter_unit``: what the meter's profile says it reads in, "" where it says nothing. A word of warning
    follows the answer that looks like a slip.
    """
    settings = dict(given)
    steps: list[Step] = [_ask_feed, _ask_needed_water]
    if missing_settings(settings):
        steps = [_ask_resin, _ask_pouring, _ask_residue, _ask_endpoint, *steps, _ask_rinse_water, _ask_state, _ask_top]
        steps += [] if meter_unit in ("uS/cm", "mS/cm") else [_ask_factor]
    told: list[str] = []
    for step in steps:
        step(settings, last)
        new = [words for words in setup_warnings(settings) if words not in told]
        told += new
        tell_warnings(new)
    return settings


def tell_warnings(warnings: list[str]) -> None:
    """One line each on stderr."""
    for words in warnings:
        click.echo(f"rinsewatch: warning: {words}", err=True)


def ask_port(last: Mapping[str, object], check: Check) -> str:
    """Which port the meter is on; ``hand`` for readings typed by a person. ``check`` raises UsageError."""
    names = port_names()
    for name in names:
        click.echo(f"  port found: {name}", err=True)
    default = last.get("port") or (names[0] if names else HAND)
    return ask(f"Meter's port, or '{HAND}' to type readings", default, check)


def ask_continue(words: str) -> bool:
    """Whether to go on with an unfinished rinse."""
    try:
        with ctrl_c_counts():
            return click.confirm(f"{words} Continue it?", default=True, err=True)
    except click.Abort:
        click.echo(err=True)  # what is said next gets a line of its own
        raise


def ask(words: str, default: object, check: Check) -> str:
    """Ask until ``check`` is content; it raises UsageError otherwise."""
    while True:
        try:
            with ctrl_c_counts():
                answer = str(click.prompt(words, default=default, type=str, err=True)).strip()
        except click.Abort:
            click.echo(err=True)
            raise
        try:
            check(answer)
        except UsageError as error:
            click.echo(str(error), err=True)
        else:
            return answer


def _ask_resin(settings: Settings, last: Mapping[str, object]) -> None:
    if "resin_ml" not in settings:
        check = _fitting(settings, "resin_ml", parse_volume_ml)
        settings["resin_ml"] = ask("Resin volume, mL", last.get("resin_ml"), check)


def _ask_pouring(settings: Settings, last: Mapping[str, object]) -> None:
    if settings.keys() & {"portion_ml", "flow_ml_min"}:
        return
    default = f"{last['flow_ml_min']} mL/min" if last.get("flow_ml_min") else last.get("portion_ml")
    words = "One portion of rinse water, mL (or a flow like '100 mL/min')"
    answer = ask(words, default, _check_pouring)
    settings["flow_ml_min" if _is_flow(answer) else "portion_ml"] = answer


def _ask_residue(settings: Settings, last: Mapping[str, object]) -> None:
    if "residue" not in settings:
        words = "Rinsing out (NaOH, HCl, salt)"
        settings["residue"] = ask(words, last.get("residue", "NaOH"), _check_residue)


def _ask_endpoint(settings: Settings, last: Mapping[str, object]) -> None:
    if "endpoint" not in settings:
        words = "Stop at (feed, zero, break-even, or a reading like 12 uS/cm)"
        settings["endpoint"] = ask(words, last.get("endpoint", "feed"), _fitting(settings, "endpoint", _check_endpoint))


def _ask_feed(settings: Settings, last: Mapping[str, object]) -> None:
    if (_endpoint_is(settings, "feed") or _endpoint_is(settings, "break-even")) and "feed" not in settings:
        check = _fitting(settings, "feed", parse_reading)
        settings["feed"] = ask("Feed water on this meter, like 9 ppm", last.get("feed"), check)


def _ask_needed_water(settings: Settings, last: Mapping[str, object]) -> None:
    if _endpoint_is(settings, "zero") and "rinse_water" not in settings:
        words = "Rinse water on this meter, like 0 ppm"
        settings["rinse_water"] = ask(words, last.get("rinse_water"), _fitting(settings, "rinse_water", parse_reading))


def _ask_rinse_water(settings: Settings, last: Mapping[str, object]) -> None:
    words = "Rinse water on this meter, like 0 ppm (makes the forecast sharper)"
    _ask_optional(settings, last, "rinse_water", words)


def _ask_state(settings: Settings, last: Mapping[str, object]) -> None:
    """Carbon dioxide matters beside caustic and acid only, and beside a rinse water that is known."""
    if "rinse_water" not in settings or str(settings.get("residue")).strip().lower() == Residue.SALT.value:
        return
    words = "Water fresh from its cartridge, or stood in air (fresh, stood)"
    _ask_optional(settings, last, "water_state", words, parse_water_state)


def _ask_top(settings: Settings, last: Mapping[str, object]) -> None:
    words = "Largest reading it can show, like 9990 ppm (in its manual)"
    _ask_optional(settings, last, "top", words)


def _ask_optional(
    settings: Settings, last: Mapping[str, object], name: str, words: str, check: Check = parse_reading
) -> None:
    if name not in settings:
        answer = ask(words, last.get(name, UNKNOWN), _fitting(settings, name, _unless_unknown(check)))
        if answer != UNKNOWN:
            settings[name] = answer


def _ask_factor(settings: Settings, last: Mapping[str, object]) -> None:
    """Only where the meter may show ppm: one whose answers so far are all in uS/cm has no such factor."""
    units = {_unit_of(settings[name]) for name in ("feed", "rinse_water", "endpoint", "top") if name in settings}
    units.discard("")
    if "tds_factor" not in settings and (not units or units & TDS_UNITS.keys()):
        words = "TDS factor, ppm per uS/cm (0.5, 0.64, 0.7; 0.5 if you cannot find out)"
        settings["tds_factor"] = ask(
            words, last.get("tds_factor", 0.5), _fitting(settings, "tds_factor", _check_factor)
        )


def _unit_of(answer: object) -> str:
    try:
        return parse_quantity(str(answer)).unit
    except UsageError:
        return ""  # feed, zero


def _endpoint_is(settings: Settings, word: str) -> bool:
    return str(settings.get("endpoint", "")).strip().lower() == word


def _fitting(settings: Settings, name: str, check: Check) -> Check:
    """``check``, and whether the answer can be, beside what was said before: asked again, not found at the end."""

    def both(answer: str) -> None:
        check(answer)
        if answer != UNKNOWN:
            check_given({**settings, name: answer})

    return both


def _check_residue(text: str) -> None:
    if text.strip().lower() not in {residue.value.lower() for residue in Residue}:
        raise UsageError(f"{text!r} is none of these; write NaOH (caustic), HCl (acid) or salt")


def _check_endpoint(text: str) -> None:
    Endpoint.parse(text, 0.5)  # any scale will do: only the wording is checked here


def _is_flow(text: str) -> bool:
    return "/" in text


def _check_pouring(text: str) -> None:
    parse_flow_ml_min(text) if _is_flow(text) else parse_volume_ml(text)


def _unless_unknown(check: Check) -> Check:
    def either(text: str) -> None:
        """Either ``UNKNOWN``, or what ``check`` is content with."""
        if text == UNKNOWN:
            return
        try:
            check(text)
        except UsageError as error:
            raise UsageError(f"{error}; '{UNKNOWN}' if you cannot say") from error

    return either


def _check_factor(text: str) -> None:
    try:
        parse_factor(text)
    except UsageError as error:
        raise UsageError(f"{text!r} is no TDS scale; write 0.5, 0.64 or 0.7, as in the meter's manual") from error
