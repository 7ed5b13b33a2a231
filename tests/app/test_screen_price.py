"""The price line of the dashboard: said in litres, only when it is known, and fitting 80 columns."""

from __future__ import annotations

from dataclasses import replace

from rinsewatch import Rinse, Row
from rinsewatch.rinse.row import Mark
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup
from rinsewatch.rinse.state import Interval, Price
from rinsewatch.screen.dashboard import compose
from rinsewatch.screen.pricewords import price_words
from rinsewatch.screen.snapshot import Snapshot


def _snapshot(feed_us_cm: float | None, us_cm: float = 300.0) -> Snapshot:
    setup = RinseSetup(
        resin_ml=500.0,
        residue=Residue.HCL,
        endpoint=Endpoint.parse("12 uS/cm", 0.5),
        portion_ml=500.0,
        feed_us_cm=feed_us_cm,
    )
    rinse = Rinse(setup)
    for n in range(1, 8):
        rinse.observe(Row(180.0 * n, 500.0 * n, event="portion"))
    state = rinse.observe(Row(1400.0, 3500.0, Mark.VALUE, us_cm, "uS/cm", 0))
    return Snapshot(setup=setup, state=state, poured_ml=3500.0, portions=7)


def _text(snapshot: Snapshot) -> str:
    return "\n".join("".join(text for text, _ in line) for line in compose(snapshot, 80, 24, ascii_only=True))


def test_the_price_stands_on_the_dashboard_once_the_feed_is_known() -> None:
    text = _text(_snapshot(20.0))
    line = next(line for line in text.splitlines() if line.startswith(" Price"))
    assert "stop now loses" in line and "a portion costs 500 mL, saves" in line
    assert " Price" not in _text(_snapshot(None))


def test_the_words_give_the_figures_and_say_when_the_next_portion_does_not_pay() -> None:
    snapshot = _snapshot(20.0)
    assert snapshot.state is not None
    price = Price(Interval(0.3, 0.42, 0.6), 0.5, 0.31)
    words = price_words(replace(snapshot, state=replace(snapshot.state, price=price)))
    assert words == "stop now loses 420 mL DI; a portion costs 500 mL, saves 310 mL (no gain)"
    dear = Price(Interval(20.0, 31.4, 60.0), 0.5, 18.2)
    words = price_words(replace(snapshot, state=replace(snapshot.state, price=dear)))
    assert words == "stop now loses 31 L DI; a portion costs 500 mL, saves 18 L"
