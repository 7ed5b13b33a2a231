"""The few questions of ``plan``, with last time's answers."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping

import click

from rinsewatch.cli.asking import ask
from rinsewatch.cli.planread import missing_answers
from rinsewatch.errors import LogbookError
from rinsewatch.logbook.location import logbook_path
from rinsewatch.logbook.settings import parse_factor
from rinsewatch.logbook.store import Logbook
from rinsewatch.planning.stock import Use, parse_stock
from rinsewatch.quantities import TDS_UNITS, parse_reading, parse_volume_ml

PREFIX = "plan_"  # answers that mean something else at the rinse, where each resin is by itself
_SHARED = ("feed", "rinse_water", "tds_factor", "portion_ml")
Check = Callable[[str], object]
# Question, default where there was no last time, check.
_QUESTIONS: dict[str, tuple[str, str | None, Check]] = {
    "resin_ml": ("Mixed resin, mL (resins already apart: --cation-ml, --anion-ml)", None, parse_volume_ml),
    "feed": ("Feed water on your meter, like 8 ppm", None, parse_reading),
    "rinse_water": ("Rinse water (DI) on your meter, like 0 ppm", None, parse_reading),
    "portion_ml": ("One portion of rinse water, mL", None, parse_volume_ml),
    "caustic": (
        "Caustic at hand (NaOH for solid, NaOH 50 %, KOH, KOH 45 %)",
        "NaOH",
        lambda text: parse_stock(text, Use.CAUSTIC),
    ),
    "acid": ("Acid at hand, % as on its label, like HCl 30 %", None, lambda text: parse_stock(text, Use.ACID)),
}
_FACTOR = "Its ppm per uS/cm, the TDS factor (0.5, 0.64 or 0.7: in its manual; 0.5 if you cannot find out)"


def ask_answers(given: Mapping[str, str], last: Mapping[str, object]) -> dict[str, str]:
    """``given`` completed by asking; ``last`` are the defaults. Raises click.Abort."""
    answers = dict(given)
    missing = missing_answers(answers)
    for name in missing:
        words, first, check = _QUESTIONS[name]
        answers[name] = ask(words, last.get(name, first), check)
        if name == "rinse_water" and "tds_factor" not in answers and _shows_ppm(answers):
            answers["tds_factor"] = ask(_FACTOR, last.get("tds_factor", "0.5"), parse_factor)
    return answers


def _shows_ppm(answers: Mapping[str, str]) -> bool:
    return any(parse_reading(answers[name]).unit in TDS_UNITS for name in ("feed", "rinse_water"))


def last_answers(logbook_file: str | None) -> dict[str, object]:
    """Last time's answers; none where there is no logbook yet or it cannot be read."""
    try:
        with Logbook.open(logbook_path(logbook_file, os.environ), create=False) as logbook:
            kept = logbook.last_answers()
    except LogbookError:
        return {}
    shared = {name: kept[name] for name in _SHARED if name in kept}
    own = {name.removeprefix(PREFIX): value for name, value in kept.items() if name.startswith(PREFIX)}
    return {**shared, **own}


def keep_answers(answers: Mapping[str, str], logbook_file: str | None) -> None:
    """Remember them for next time; says so if that fails (a rinse is being watched, a full disk): no harm done."""
    kept: dict[str, object] = {PREFIX + name: answers[name] for name in _QUESTIONS if name in answers}
    kept |= {name: answers[name] for name in _SHARED if name in answers and name != "portion_ml"}
    try:
        with Logbook.open(logbook_path(logbook_file, os.environ)) as logbook:
            logbook.save_answers(kept)
    except LogbookError as error:
        click.echo(f"rinsewatch: your answers are not remembered: {error}", err=True)
