"""The plan as a file that ``watch --plan`` takes its settings from: one table per rinse, named by its residue."""

from __future__ import annotations

import json
import sys
import tomllib
from collections.abc import Mapping
from pathlib import Path

from rinsewatch.cli.options import SETTINGS
from rinsewatch.errors import UsageError
from rinsewatch.logbook.settings import PLANNED_NAMES
from rinsewatch.planning.plan import Plan, RinsePlan
from rinsewatch.planning.schedule import Count

_HEAD = """\
# A plan by rinsewatch. Each table below is one rinse; the names are the options of 'rinsewatch watch'.
# rinsewatch watch --plan THIS_FILE --residue NaOH    (or HCl); options on the command line win.
"""
_PASSED_ON = ("feed", "rinse_water", "tds_factor")
# The forecast takes potash as caustic soda and sulfuric acid as hydrochloric: towards the end they conduct alike.
_WATCHED = {"KOH": "NaOH", "H2SO4": "HCl"}


def plan_text(plan: Plan, answers: Mapping[str, str]) -> str:
    """The file's text."""
    parts = [_HEAD]
    for part in (plan.anion, plan.cation):
        if part is not None:
            parts.append(_table(part, answers))
    return "\n".join(parts)


def watched_residue(part: RinsePlan) -> str:
    """The residue as ``watch`` knows it."""
    return _WATCHED.get(part.rinse.residue, part.rinse.residue)


def _table(part: RinsePlan, answers: Mapping[str, str]) -> str:
    residue = watched_residue(part)
    settings: dict[str, object] = {
        "resin_ml": _plain(part.rinse.resin_ml),
        "portion_ml": _plain(part.rinse.portion_ml),
        "residue": residue,
        "endpoint": answers.get("endpoint", "feed"),
        **{name: answers[name] for name in _PASSED_ON if name in answers},
        **_planned(part.chosen.count),
    }
    lines = [f"{name} = {json.dumps(value, ensure_ascii=False)}" for name, value in settings.items()]
    return "\n".join([f"[rinse.{residue}]  # {part.resin} resin", *lines, ""])


def _planned(count: Count) -> dict[str, object]:
    """What the rinse is to take, to stand beside what it took: portions for a usual, an easy and a stubborn bed, mL."""
    if count.usual is None or count.usual_ml is None:
        return {}
    every = (count.usual, count.low, count.high, _plain(count.usual_ml))
    return {name: value for name, value in zip(PLANNED_NAMES, every, strict=True) if value is not None}


def _plain(value: float) -> float | int:
    value = float(f"{value:.6g}")
    return int(value) if value == int(value) else value


def settings_from_plan(file: str, residue: object) -> dict[str, object]:
    """The settings of one rinse of a plan file; ``residue`` chooses, and may be None where the file has only one.

    Where it has two and somebody can be asked, it asks. Error: UsageError, one line.
    """
    rinses = _rinses(file)
    if residue is None and len(rinses) == 1:
        return next(iter(rinses.values()))
    if residue is None:
        residue = _ask_residue(file, rinses)
    found = {name.lower(): settings for name, settings in rinses.items()}.get(str(residue).strip().lower())
    if found is None:
        raise UsageError(f"--plan {file}: it has no rinse of {residue}, only of {' and '.join(rinses)}")
    return found


def _rinses(file: str) -> dict[str, dict[str, object]]:
    rinses = _read(file).get("rinse")
    if not isinstance(rinses, dict) or not rinses or not all(isinstance(one, dict) for one in rinses.values()):
        raise UsageError(
            f"--plan {file}: there is no [rinse.NaOH] or [rinse.HCl] in it; 'rinsewatch plan --save' makes one"
        )
    for name, settings in rinses.items():
        unknown = sorted(settings.keys() - {*SETTINGS, *PLANNED_NAMES})
        if unknown:
            raise UsageError(f"--plan {file}: [rinse.{name}] has {unknown[0]!r}, which is no setting of a rinse")
    return rinses


def _read(file: str) -> dict[str, object]:
    try:
        return tomllib.loads(Path(file).read_text("utf-8"))
    except OSError as error:
        raise UsageError(f"--plan {file}: {error.strerror or error}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"--plan {file}: not a plan file ({error})") from error
    except (ValueError, RecursionError) as error:
        raise UsageError(f"--plan {file}: not a plan file (a number too long, or lists too deep)") from error


def _ask_residue(file: str, rinses: Mapping[str, Mapping[str, object]]) -> str:
    named = " or ".join(f"{name} ({settings.get('resin_ml')} mL)" for name, settings in rinses.items())
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise UsageError(f"--plan {file}: it has more than one rinse; say which with --residue: {named}")
    from rinsewatch.cli.asking import ask

    known = {name.lower() for name in rinses}

    def check(text: str) -> None:
        if text.lower() not in known:
            raise UsageError(f"{text!r} is none of {', '.join(rinses)}")

    return ask(f"Which rinse: {named}", next(iter(rinses)), check)
