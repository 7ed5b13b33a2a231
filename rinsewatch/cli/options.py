"""Options that describe a rinse and its meter, shared by watch and replay."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeVar

import click

Function = TypeVar("Function", bound=Callable[..., Any])

# Option, metavar, help; the setting's name is the option's in snake case. Their values are read, with
# their units, by the same function that reads a recording's header.
_RINSE = (
    ("--resin-ml", "VOLUME", "Volume of the resin, mL (or '1.5 L')."),
    ("--portion-ml", "VOLUME", "Rinse water in one portion, mL; or give --flow-ml-min."),
    ("--flow-ml-min", "FLOW", "Rinse water runs continuously, mL/min."),
    ("--residue", "NaOH|HCl|salt", "What is being rinsed out."),
    ("--endpoint", "WHERE", "feed, zero, break-even, or a reading: '12 uS/cm', '6 ppm'."),
    ("--feed", "READING", "The feed water on this meter, like '9 ppm'."),
    ("--rinse-water", "READING", "The rinse water (DI) on this meter, like '0 ppm'."),
    ("--water-state", "fresh|stood", "Rinse water straight from its cartridge, or has it stood in air?"),
)
_METER = (
    ("--meter", "PROFILE", "Meter profile: a built-in name or a .toml file."),
    ("--tds-factor", "FACTOR", "ppm per uS/cm of this meter: 0.5, 0.64 or 0.7."),
    ("--top", "READING", "Largest reading the meter can show, like '9990 ppm'."),
    ("--resolution", "READING", "One step of the display, like '1 ppm', where decimals do not tell."),
)
SETTINGS = tuple(option.removeprefix("--").replace("-", "_") for option, _, _ in (*_RINSE, *_METER))


def rinse_options(function: Function) -> Function:
    """Decorate a command with all options that describe a rinse and its meter."""
    for option, metavar, words in reversed((*_RINSE, *_METER)):
        function = click.option(option, metavar=metavar, help=words)(function)
    return function


def given_settings(values: Mapping[str, object]) -> dict[str, object]:
    """The settings among a command's values that were given."""
    return {name: values[name] for name in SETTINGS if values.get(name) is not None}


def logbook_option(function: Function) -> Function:
    """``--logbook FILE``."""
    words = "The logbook's file (default: RINSEWATCH_DATA, else the data folder)."
    return click.option("--logbook", "logbook_file", metavar="FILE", help=words)(function)
