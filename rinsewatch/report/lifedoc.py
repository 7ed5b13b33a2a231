"""The report of a resin's life in words, tables and pictures."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

from rinsewatch.logbook.life import series
from rinsewatch.logbook.life.capacity import CycleFigures
from rinsewatch.logbook.life.findings import Finding
from rinsewatch.logbook.life.life import ResinLife
from rinsewatch.logbook.life.records import Part, RinseSummary
from rinsewatch.report.document import Block, Document, Facts, Grid, Picture, Words
from rinsewatch.report.numbers import between, litres, number, percent

if TYPE_CHECKING:
    from matplotlib.figure import Figure, SubFigure

CAUTIONS = (
    "Findings name what usually looks so; they are no analysis of the resin. A laboratory test settles doubts. "
    "How sure: the chance that scatter alone would look so, which says nothing of causes that are not listed.",
    "Treated water is not for drinking. Spent resin and its liquors go where labels, safety data sheets and local "
    "codes say.",
)


def life_document(life: ResinLife, notes: Sequence[str], remark: str = "") -> Document:
    """The whole report; ``notes``: what was left out; ``remark``: the person's own on the resin."""
    blocks: list[Block] = [_resin(life, remark)]
    if any(f.share is not None for f in life.cycles):
        blocks.append(_capacity(life))
    blocks.append(_findings(life))
    if any(series.rinse_volumes(life.cycles, part) or series.slow_shares(life.cycles, part) for part in Part):
        blocks.append(_rinses(life))
    if life.trends:
        blocks.append(Words("Trends over all cycles", tuple(trend.sentence for trend in life.trends), listed=True))
    if life.cycles:
        blocks.append(_cycles(life.cycles))
    if every := (*life.notes, *notes):
        blocks.append(Words("What is missing or does not count", every, listed=True))
    blocks.append(Words("Mind", CAUTIONS))
    return Document(f"Resin life: {life.resin.name}", _summary(life, remark), tuple(blocks))


def _summary(life: ResinLife, remark: str) -> tuple[str, ...]:
    lines = [life.forecast_sentence, _findings_line(life)]
    return (*lines, f"Invented data ({remark}).") if remark.startswith("invented") else tuple(lines)


def _findings_line(life: ResinLife) -> str:
    if not life.findings:
        return "Findings: none."
    return "Findings: " + "; ".join(f"{f.kind} ({f.sure})" for f in life.findings) + "."


def _resin(life: ResinLife, remark: str) -> Facts:
    resin, first = life.resin, life.first_eq_l
    rows = [
        ("Volume, settled and wet", litres(resin.resin_ml)),
        ("New", str(resin.new) if resin.new else "not noted"),
        ("Discard below", f"{percent(resin.discard_share)} of the first cycles' capacity"),
        ("First cycles' capacity", "not known before three cycles count" if first is None else f"{number(first)} eq/L"),
        ("Cycles", str(len(life.cycles))),
    ]
    return Facts("The resin", (*rows, ("Remark", remark)) if remark else tuple(rows))


def _capacity(life: ResinLife) -> Picture:
    shares = [(f.cycle, f.share) for f in life.cycles if f.share is not None]
    ends = " and ".join(f"{percent(share)} in cycle {cycle}" for cycle, share in (shares[0], shares[-1]))
    alt = f"Capacity of each cycle as a share of the first cycles: {ends}. {life.forecast_sentence}"
    caption = "Litres treated times the feed's load, per litre of resin."
    return Picture("Capacity.", caption, alt, 0.5, partial(_draw_capacity, life))


def _rinses(life: ResinLife) -> Picture:
    said = [_course(life, part) for part in Part]
    caption = "Water until the endpoint, of rinses to the same endpoint as the latest one."
    alt = f"Rinse water per cycle in resin volumes, and slow share below it. {' '.join(filter(None, said))}"
    return Picture("Rinses.", caption, alt, 0.56, partial(_draw_rinses, life))


def _course(life: ResinLife, part: Part) -> str:
    volumes = series.rinse_volumes(life.cycles, part)
    if not volumes:
        return ""
    first, last = min(volumes), max(volumes)
    return (
        f"The {part} resin took {number(volumes[first])} in cycle {first} and {number(volumes[last])} in cycle {last}."
    )


def _draw_capacity(life: ResinLife, figure: Figure | SubFigure) -> None:
    from rinsewatch.report.lifechart import draw_capacity

    draw_capacity(life, figure)


def _draw_rinses(life: ResinLife, figure: Figure | SubFigure) -> None:
    from rinsewatch.report.lifechart import draw_rinses

    draw_rinses(life, figure)


def _findings(life: ResinLife) -> Block:
    if not life.findings:
        return Words("Findings", ("None: nothing has clearly left its first level.",))
    head = ("finding", "rests on", "how sure")
    return Grid("Findings", head, tuple(_finding_cells(one) for one in life.findings), wide=(0, 1, 2))


def _finding_cells(finding: Finding) -> tuple[str, ...]:
    return finding.sentence, finding.rests_on, finding.how_sure


def _cycles(cycles: Sequence[CycleFigures]) -> Grid:
    head = (
        "cycle", "installed", "litres", "feed, µS/cm", "capacity, eq/L", "share", "anion rinse, L", "slow",
        "cation rinse, L", "slow",
    )  # fmt: skip
    note = (
        "Capacity is a range: conductivity tells the feed's load only roughly; in the share that cancels. Rinse: water "
        "until the endpoint ('open': not reached); slow: slowly exchanging liquid, of the resin volume. "
        "* does not count for capacity."
    )
    return Grid("Cycles", head, tuple(_cells(f) for f in cycles), note)


def _cells(f: CycleFigures) -> tuple[str, ...]:
    return (
        f"{f.cycle}{'*' if f.remark else ''}",
        "" if f.installed is None else str(f.installed),
        "" if f.litres is None else f"{f.litres:.0f}",
        "" if f.feed_us_cm is None else number(f.feed_us_cm),
        "" if f.capacity_eq_l is None else between(f.capacity_eq_l.low, f.capacity_eq_l.high),
        "" if f.share is None else percent(f.share),
        *_rinse_cells(f.anion),
        *_rinse_cells(f.cation),
    )


def _rinse_cells(rinse: RinseSummary | None) -> tuple[str, str]:
    if rinse is None:
        return "", ""
    water = "open" if rinse.endpoint_ml is None else number(rinse.endpoint_ml / 1000.0)
    return water, "" if rinse.slow_share is None else percent(rinse.slow_share)
