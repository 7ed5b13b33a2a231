"""``rinsewatch plan``: before the rinse."""

from __future__ import annotations

import click

from rinsewatch.cli.options import Function, logbook_option

# Option, metavar, help. The answers' names are the options' in snake case.
_OPTIONS = (
    ("--resin-ml", "VOLUME", "Volume of mixed resin, mL (or '1.5 L')."),
    ("--cation-ml", "VOLUME", "Instead: cation resin by itself, already apart."),
    ("--anion-ml", "VOLUME", "Instead: anion resin by itself, already apart."),
    ("--cation-share", "PERCENT", "Cation resin in the mixed bed, % by volume (default 40)."),
    ("--cation-capacity", "EQ_L", "What its data sheet says, eq/L (default: the usual 1.8-2.0)."),
    ("--anion-capacity", "EQ_L", "What its data sheet says, eq/L (default: the usual 1.0-1.4)."),
    ("--feed", "READING", "The feed water on your meter, like '8 ppm'."),
    ("--rinse-water", "READING", "The rinse water (DI) on your meter, like '0 ppm'."),
    ("--tds-factor", "FACTOR", "ppm per uS/cm of this meter: 0.5 (default), 0.64 or 0.7."),
    ("--caustic", "CHEMICAL", "Caustic at hand: 'NaOH' (solid), 'NaOH 50 %', 'KOH', 'KOH 45 %'."),
    ("--acid", "CHEMICAL", "Acid at hand: 'HCl 30 %' (by mass, as on the label); 'H2SO4 37 %' warns."),
    ("--portion-ml", "VOLUME", "Rinse water in one portion."),
    ("--endpoint", "WHERE", "feed (default), zero, break-even, or a reading like '6 ppm'."),
    ("--separate", "HOW", "Part a mixed bed in caustic (default) or brine, or no."),
    ("--liquor-ml", "VOLUME", "Separation liquor (default: twice the resin)."),
    ("--container-ml", "VOLUME", "Your largest vessel: warns where something does not fit."),
    ("--caustic-pct", "PERCENT", "Strength of the caustic liquor (default 15 to separate, else 5)."),
    ("--acid-pct", "PERCENT", "Strength of the acid liquor (default 6, sulfuric 2)."),
    ("--dose", "TIMES", "Regenerant over what the resin can take up (default 3)."),
    ("--temperature", "C", "Of the room and the liquors (default 20)."),
)
NAMES = tuple(option.removeprefix("--").replace("-", "_") for option, _, _ in _OPTIONS)


def _options(function: Function) -> Function:
    for option, metavar, words in reversed(_OPTIONS):
        function = click.option(option, metavar=metavar, help=words)(function)
    return function


@click.command(
    epilog="""\b
Examples:
  rinsewatch plan                        asks what it needs, last answers as defaults
  rinsewatch plan --resin-ml 500 --feed '8 ppm' --rinse-water '0 ppm' --portion-ml 250 \\
      --caustic NaOH --acid 'HCl 30 %' --sheet plan.html --save plan.toml
  rinsewatch watch --port hand --plan plan.toml --residue NaOH
  rinsewatch plan --anion-ml '2 L' --caustic 'NaOH 50 %' --feed '16 uS/cm' \\
      --rinse-water '1 uS/cm' --portion-ml '1 L' --json"""
)
@_options
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of tables.")
@click.option("--sheet", metavar="FILE", help="Also a page to print and take to the bench (HTML).")
@click.option("--save", metavar="FILE", help="Also a plan file for 'watch --plan FILE' (TOML).")
@click.option("--overwrite", is_flag=True, help="Replace files that exist.")
@logbook_option
def command(
    as_json: bool, sheet: str | None, save: str | None, overwrite: bool, logbook_file: str | None, **values: str | None
) -> int:
    """Work out a whole regeneration: liquors, doses, portions, DI water to have ready, endpoints and their price.

    On a terminal what is missing is asked for. Everything is computed from densities, capacities and ionic
    conductivities; ranges are usual ones, so your resin's data sheet wins.
    """
    from rinsewatch.cli.planrun import Outputs, run_plan

    given = {name: value for name, value in values.items() if value is not None}
    return run_plan(given, Outputs(as_json, sheet, save, overwrite), logbook_file)
