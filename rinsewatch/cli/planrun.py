"""From the answers to tables, JSON, sheet and plan file."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from shlex import quote

import click

from rinsewatch.cli.asking import tell_warnings
from rinsewatch.cli.logbookopen import talks, today
from rinsewatch.cli.planask import ask_answers, keep_answers, last_answers
from rinsewatch.cli.planfile import plan_text, watched_residue
from rinsewatch.cli.planjson import plan_object
from rinsewatch.cli.planread import check_given, examples, missing_answers, read_wants
from rinsewatch.cli.plantables import print_sections
from rinsewatch.errors import UsageError
from rinsewatch.logbook.sanity import setup_warnings
from rinsewatch.planning.plan import Plan, make_plan
from rinsewatch.planning.section import Display
from rinsewatch.planning.sections import plan_sections

_SLIPS = ("resin_ml", "portion_ml", "feed", "tds_factor")


@dataclass(frozen=True, slots=True)
class Outputs:
    """Where the plan goes."""

    as_json: bool = False
    sheet: str | None = None
    save: str | None = None
    overwrite: bool = False


def run_plan(given: Mapping[str, str], outputs: Outputs, logbook_file: str | None) -> int:
    """Ask for what is missing where somebody can be asked, work it out, put it out. Errors: UsageError."""
    _check_outputs(outputs)  # before the questions, not after
    answers = dict(given)
    missing = missing_answers(answers)
    if missing:
        check_given(answers)  # before what is missing is named or asked for
    if missing and not (talks() and not outputs.as_json):
        raise UsageError(f"not everything needed was said; still missing: {examples(missing)}")
    if missing:
        answers = ask_answers(answers, last_answers(logbook_file))
    wants, display = read_wants(answers)
    # the plan itself says so where the two waters look mixed up
    tell_warnings(setup_warnings({name: answers[name] for name in _SLIPS if name in answers}))
    plan = make_plan(wants)
    if missing:
        keep_answers(answers, logbook_file)
    _put_out(plan, display, answers, outputs)
    return 0


def _put_out(plan: Plan, display: Display, answers: Mapping[str, str], outputs: Outputs) -> None:
    sections = plan_sections(plan, display)
    if outputs.as_json:
        click.echo(json.dumps(plan_object(plan), ensure_ascii=False))
    else:
        print_sections(sections, os.environ, sys.stdout)
    if outputs.sheet is not None:
        from rinsewatch.report.plansheet import sheet_html

        _write(outputs.sheet, sheet_html(sections, made_on=today().isoformat()))
        _tell(f"The sheet to print: {outputs.sheet}", outputs)
    if outputs.save is not None:
        _write(outputs.save, plan_text(plan, answers))
        residues = " or ".join(watched_residue(part) for part in (plan.anion, plan.cation) if part is not None)
        _tell(f"Saved. At the rinse: rinsewatch watch --plan {quote(outputs.save)} --residue {residues}", outputs)
    _hint(outputs)


def _hint(outputs: Outputs) -> None:
    """On a terminal: what else there is to be had."""
    if talks() and not (outputs.as_json or outputs.sheet or outputs.save):
        click.echo(
            "A page for the bench: --sheet plan.html. For the watch, so that nothing is typed twice: --save plan.toml"
        )


def _tell(words: str, outputs: Outputs) -> None:
    click.echo(words, err=outputs.as_json)


def _check_outputs(outputs: Outputs) -> None:
    names = [name for name in (outputs.sheet, outputs.save) if name is not None]
    if len({Path(name).resolve() for name in names}) < len(names):
        raise UsageError(f"--sheet and --save are both {names[0]}; give each a name of its own")
    for name, wanted, what in ((outputs.sheet, ".html", "a web page"), (outputs.save, ".toml", "settings in TOML")):
        ending = "" if name is None else Path(name).suffix.lower()
        if name is not None and ending not in ("", wanted, ".htm" if wanted == ".html" else wanted):
            raise UsageError(f"{name}: what is written is {what}; give it a name that ends in {wanted}")
    for name in names:
        if not Path(name).resolve().parent.is_dir():
            raise UsageError(f"{name}: there is no folder {Path(name).resolve().parent}; make it, or give another")
        if Path(name).exists() and not outputs.overwrite:
            raise UsageError(f"{name} exists already; give another name, or --overwrite")


def _write(name: str, text: str) -> None:
    try:
        Path(name).write_text(text, "utf-8")
    except OSError as error:
        raise UsageError(f"cannot write {name}: {error.strerror or error}") from error
