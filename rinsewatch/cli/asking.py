"""The few questions before a rinse, with last time's answers as defaults."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import click

from rinsewatch.cli.meterlink import HAND, port_names
from rinsewatch.errors import UsageError
from rinsewatch.logbook.settings import missing_settings
from rinsewatch.quantities import parse_flow_ml_min, parse_reading, parse_volume_ml
from rinsewatch.rinse.setup import Endpoint, Residue

UNKNOWN = "not known"
Check = Callable[[str], object]


def ask_settings(given: Mapping[str, object], last: Mapping[str, object]) -> dict[str, object]:
    """``given`` completed by asking for what is missing; ``last`` are the defaults. Raises click.Abort."""
    settings = dict(given)
    if not missing_settings(settings):
        return _ask_needed_readings(settings, last)
    if "resin_ml" not in settings:
        settings["resin_ml"] = ask("Resin volume, mL", last.get("resin_ml"), parse_volume_ml)
    if "portion_ml" not in settings and "flow_ml_min" not in settings:
        _ask_pouring(settings, last)
    if "residue" not in settings:
        words = "Rinsing out (NaOH, HCl, salt)"
        settings["residue"] = ask(words, last.get("residue", "NaOH"), _check_residue)
    if "endpoint" not in settings:
        words = "Stop at (feed, zero, or a reading like 12 uS/cm)"
        settings["endpoint"] = ask(words, last.get("endpoint", "feed"), _check_endpoint)
    _ask_needed_readings(settings, last)
    if "rinse_water" not in settings:
        _ask_rinse_water(settings, last)
    return settings


def ask_port(last: Mapping[str, object]) -> str:
    """Which port the meter is on; ``hand`` for readings typed by a person."""
    names = port_names()
    for name in names:
        click.echo(f"  port found: {name}", err=True)
    default = last.get("port") or (names[0] if names else HAND)
    return ask(f"Meter's port, or '{HAND}' to type readings", default, lambda text: text)


def ask_continue(words: str) -> bool:
    """Whether to go on with an unfinished rinse."""
    return click.confirm(f"{words} Continue it?", default=True, err=True)


def ask(words: str, default: object, check: Check) -> str:
    """Ask until ``check`` is content; it raises UsageError otherwise."""
    while True:
        answer = str(click.prompt(words, default=default, type=str, err=True)).strip()
        try:
            check(answer)
        except UsageError as error:
            click.echo(str(error), err=True)
        else:
            return answer


def _ask_pouring(settings: dict[str, object], last: Mapping[str, object]) -> None:
    default = f"{last['flow_ml_min']} mL/min" if last.get("flow_ml_min") else last.get("portion_ml")
    answer = ask("One portion of rinse water, mL (or a flow like '100 mL/min')", default, _check_pouring)
    settings["flow_ml_min" if _is_flow(answer) else "portion_ml"] = answer


def _ask_needed_readings(settings: dict[str, object], last: Mapping[str, object]) -> dict[str, object]:
    endpoint = str(settings.get("endpoint", "")).strip().lower()
    if endpoint == "feed" and "feed" not in settings:
        settings["feed"] = ask("Feed water on this meter, like 9 ppm", last.get("feed"), parse_reading)
    if endpoint == "zero" and "rinse_water" not in settings:
        words = "Rinse water on this meter, like 0 ppm"
        settings["rinse_water"] = ask(words, last.get("rinse_water"), parse_reading)
    return settings


def _ask_rinse_water(settings: dict[str, object], last: Mapping[str, object]) -> None:
    words = "Rinse water on this meter, like 0 ppm (makes the forecast sharper)"
    answer = ask(words, last.get("rinse_water", UNKNOWN), _check_optional)
    if answer != UNKNOWN:
        settings["rinse_water"] = answer


def _check_residue(text: str) -> None:
    if text.strip().lower() not in {residue.value.lower() for residue in Residue}:
        raise UsageError(f"{text!r} is none of NaOH, HCl, salt")


def _check_endpoint(text: str) -> None:
    Endpoint.parse(text, 0.5)  # any scale will do: only the wording is checked here


def _is_flow(text: str) -> bool:
    return "/" in text


def _check_pouring(text: str) -> None:
    parse_flow_ml_min(text) if _is_flow(text) else parse_volume_ml(text)


def _check_optional(text: str) -> None:
    if text != UNKNOWN:
        parse_reading(text)
