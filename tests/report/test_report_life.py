"""A resin's life as a report: what ``resin_life`` says, nothing more and nothing less."""

from __future__ import annotations

from datetime import date, timedelta
from functools import cache
from pathlib import Path

import pages
import pytest

from rinsewatch.cli.main import run
from rinsewatch.logbook.life.life import ResinLife, resin_life
from rinsewatch.logbook.life.records import History, Part, Resin, RinseSummary, ServiceRun
from rinsewatch.report.document import Facts, Grid, Picture, Words
from rinsewatch.report.lifedoc import life_document
from rinsewatch.report.render import KINDS, rendered

BEGIN = date(2025, 1, 1)


def _life(litres: list[float], feed_us_cm: float | None = 18.0, rinse_ml: float = 4000.0) -> ResinLife:
    """Invented: a litre of resin, a cycle each month."""
    days = [BEGIN + timedelta(days=30 * cycle) for cycle in range(len(litres) + 1)]
    runs = tuple(
        ServiceRun(cycle=c, litres=value, installed=days[c - 1], removed=days[c], feed_us_cm=feed_us_cm)
        for c, value in enumerate(litres, start=1)
    )
    rinses = tuple(
        RinseSummary(cycle=c, part=Part.ANION, on=days[c - 1], resin_ml=600.0, residue="NaOH",
                     endpoint_ml=rinse_ml * 1.01**c, slow_share=0.06)
        for c in range(1, len(litres) + 1)
    )  # fmt: skip
    return resin_life(History(resin=Resin(name="<b>blue</b>", resin_ml=1000.0), runs=runs, rinses=rinses))


@cache
def _falling() -> ResinLife:
    return _life([2400, 2380, 2420, 2390, 2300, 2150, 2050, 1930, 1830, 1700])


def test_every_sentence_of_the_life_is_in_the_report() -> None:
    life = _falling()
    page = rendered(life_document(life, ("One note.",)), "html").decode("utf-8")
    assert life.findings and "cycle" in life.forecast_sentence
    for words in (life.forecast_sentence, "One note.", *life.notes, *(t.sentence for t in life.trends)):
        assert words.replace("'", "&#x27;") in page
    for finding in life.findings:
        for words in (finding.sentence, finding.rests_on, finding.how_sure):
            assert words.replace("'", "&#x27;") in page
    assert "Resin life: &lt;b&gt;blue&lt;/b&gt;" in page and "<b>blue" not in page


def test_cycles_and_pictures() -> None:
    document = life_document(_falling(), ())
    cycles = next(b for b in document.blocks if isinstance(b, Grid) and b.title == "Cycles")
    assert len(cycles.rows) == 10 and cycles.rows[0][:4] == ("1", "2025-01-01", "2400", "18.0")
    capacity, rinses = document.pictures
    assert _falling().forecast_sentence in capacity.alt
    assert "The anion resin took 6.73 in cycle 1 and 7.36 in cycle 10." in rinses.alt  # 4040 and 4418 mL over 600 mL


def test_a_young_resin_has_no_forecast_and_no_findings() -> None:
    document = life_document(_life([2400, 2300]), ())
    assert any(
        isinstance(b, Words) and b.title == "Findings" and b.lines[0].startswith("None") for b in document.blocks
    )
    assert "not identified" in document.summary[0]
    resin = next(b for b in document.blocks if isinstance(b, Facts))
    assert dict(resin.rows)["First cycles' capacity"] == "not known before three cycles count"


@pytest.mark.parametrize("kind", KINDS)
def test_a_resin_of_which_nothing_is_noted_is_reported_too(kind: str) -> None:
    document = life_document(resin_life(History(resin=Resin(name="new", resin_ml=500.0))), ())
    assert not [b for b in document.blocks if isinstance(b, Picture)]
    assert len(rendered(document, kind)) > 500


def test_without_a_feed_reading_there_is_no_capacity_to_draw() -> None:
    document = life_document(_life([2400, 2300, 2200], feed_us_cm=None), ())
    assert [picture.title for picture in document.pictures] == ["Rinses."]


def test_the_invented_logbook_shows_both_resins(tmp_path: Path) -> None:
    book = tmp_path / "demo-life.sqlite"
    assert run(["logbook", "demo-data", "--logbook", str(book)]) == 0
    for bed, expected in (("A", "Findings: none."), ("B", "anion side (nearly certain)")):
        out = tmp_path / f"{bed}.html"
        assert pages.report("--resin", f"demo bed {bed} (invented)", "--logbook", book, "--out", out) == 0
        page = out.read_text("utf-8")
        assert expected in page and "Invented data" in page and "http" not in page
