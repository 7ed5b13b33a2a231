"""``rinsewatch logbook life``: what a resin's service runs and rinses say about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from rinsewatch.cli.logbookopen import json_option, opened, records_of, say_json
from rinsewatch.cli.options import logbook_option

if TYPE_CHECKING:
    from rich.table import Table

    from rinsewatch.logbook.life.capacity import CycleFigures
    from rinsewatch.logbook.life.life import ResinLife
    from rinsewatch.logbook.life.records import RinseSummary


@click.command(
    epilog="""\b
Examples:
  rinsewatch logbook life
  rinsewatch logbook life blue --cycles 50
  rinsewatch logbook life blue --json"""
)
@click.argument("resin", metavar="[RESIN]", required=False)
@click.option("--cycles", type=click.IntRange(1), default=24, show_default=True, help="Show the latest N cycles.")
@json_option
@logbook_option
def life(resin: str | None, cycles: int, as_json: bool, logbook_file: str | None) -> int:
    """Capacity and rinse water of each cycle, trends, when to discard the resin, and what is wrong with it.

    RESIN: its name; left out: every resin. A finding rests on three cycles or more and says on which.
    """
    from rinsewatch.errors import UsageError
    from rinsewatch.logbook.life.life import resin_life
    from rinsewatch.logbook.lifebook import life_input

    with opened(logbook_file) as logbook:
        records = records_of(logbook)
        names = [resin] if resin else list(records.resin_names().values())
        if not names:
            raise UsageError(f"{logbook.path}: no resin is noted yet; begin with 'rinsewatch logbook add resin'")
        for name in names:
            found = life_input(logbook, records, name)
            computed = resin_life(found.history)
            if as_json:
                say_json([life_object(computed, found.notes)])
            else:
                show_life(computed, cycles, found.notes)
    return 0


def show_life(computed: ResinLife, cycles: int, notes: Sequence[str]) -> None:
    """Print the table of cycles and every sentence, broken at words on a terminal, whole lines elsewhere."""
    from rich.console import Console

    console = Console(highlight=False, markup=False, emoji=False)
    shown = computed.cycles[-cycles:]
    whole = not console.is_terminal
    console.print(*_heading(computed, len(shown)), sep="\n", soft_wrap=whole)
    if shown:
        console.print(_table(shown), soft_wrap=whole)
    for paragraph in _paragraphs(computed, notes):
        console.print("", *paragraph, sep="\n", soft_wrap=whole)
    console.print()


def _heading(computed: ResinLife, shown: int) -> list[str]:
    resin, every = computed.resin, len(computed.cycles)
    new = f", new {resin.new}" if resin.new else ""
    share = f"{100 * resin.discard_share:.0f} %"
    lines = [f"{resin.name}: {resin.resin_ml:g} mL{new}; to be discarded below {share} of its first capacity"]
    return lines if shown == every else [*lines, f"the latest {shown} of {every} cycles; --cycles {every} shows all"]


def _paragraphs(computed: ResinLife, notes: Sequence[str]) -> list[list[str]]:
    findings = ["Findings:"] if computed.findings else ["Findings: none."]
    for finding in computed.findings:
        findings += [f"- {finding.sentence}", f"  {finding.sure}; rests on {finding.rests_on}"]
    trends = [trend.sentence for trend in computed.trends]
    every = [[computed.forecast_sentence], trends, findings, [*computed.notes, *notes]]
    return [paragraph for paragraph in every if paragraph]


def _table(shown: Sequence[CycleFigures]) -> Table:
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    headings = ("cycle", "installed", "litres", "uS/cm", "eq/L", "share", "anion", "slow", "cation", "slow")
    for heading in headings:
        table.add_column(heading, justify="right", no_wrap=True)
    for figures in shown:
        table.add_row(*_cells(figures))
    table.caption = "uS/cm: feed; anion, cation: rinse water to the endpoint, L, and slowly exchanging share"
    table.caption_justify = "left"
    return table


def _cells(figures: CycleFigures) -> list[str]:
    capacity = figures.capacity_eq_l
    return [
        f"{figures.cycle}{'*' if figures.remark else ''}",
        "" if figures.installed is None else str(figures.installed),
        "" if figures.litres is None else f"{figures.litres:.0f}",
        "" if figures.feed_us_cm is None else f"{figures.feed_us_cm:.3g}",
        "" if capacity is None else f"{capacity.low:.2f}-{capacity.high:.2f}",
        _percent(figures.share),
        *_rinse_cells(figures.anion),
        *_rinse_cells(figures.cation),
    ]


def _rinse_cells(rinse: RinseSummary | None) -> tuple[str, str]:
    """Rinse water to the endpoint in litres ("open": not reached), and the slow share."""
    if rinse is None:
        return "", ""
    return "open" if rinse.endpoint_ml is None else f"{rinse.endpoint_ml / 1000.0:.2f}", _percent(rinse.slow_share)


def _percent(share: float | None) -> str:
    return "" if share is None else f"{100 * share:.0f} %"


def life_object(computed: ResinLife, notes: Sequence[str]) -> dict[str, object]:
    """A life as a JSON object; what is infinite or unknown is null."""
    from rinsewatch.logbook.life.forecast import Forecast

    found = asdict(computed)
    found["notes"] = [*computed.notes, *notes]
    found["forecast"]["identified"] = isinstance(computed.forecast, Forecast)
    plain = _plain(found)
    assert isinstance(plain, dict)
    return plain


def _plain(value: object) -> object:
    """Only what JSON knows."""
    if isinstance(value, dict):
        return {str(name): _plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, float) and value - value != 0.0:
        return None  # infinite or not a number
    if value is None or isinstance(value, bool | int | float | str):
        return value
    return str(value)
