"""What watch knows of a resin: its volume, its earlier rinses; and the end of a rinse: summary, plan beside used."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from rinsewatch.cli.main import run
from rinsewatch.cli.stage import stored_settings
from rinsewatch.cli.watchplanned import planned_line, settings_over_plan
from rinsewatch.cli.watchresin import learned_settings, resin_named, resin_volume_ml
from rinsewatch.errors import SetupError, UsageError
from rinsewatch.logbook.earliershares import (
    LEAST_ENTRAINED_SPREAD,
    LEAST_SLOW_SPREAD,
    Share,
    learned_from,
    learned_in,
    learned_words,
)
from rinsewatch.logbook.life.records import Part
from rinsewatch.logbook.lifebook import life_input
from rinsewatch.logbook.records import New, Records
from rinsewatch.logbook.rinsesummary import EarlierRinse, RinseFigures, add_words, record_summary, summary_of
from rinsewatch.logbook.settings import setup_from_settings
from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.monitor import Rinse

UTC = "2026-06-01T10:00:00.000Z"
SETTINGS: dict[str, object] = {
    "resin_ml": 500, "portion_ml": 250, "residue": "NaOH", "endpoint": "feed", "feed": "9 ppm", "rinse_water": "0 ppm",
}  # fmt: skip
FIGURES = RinseFigures(
    resin_ml=500, residue="NaOH", endpoint="feed", used_ml=5000, endpoint_ml=4500, slow_share=0.08, entrained_share=0.45
)
PLAN: dict[str, object] = {
    **SETTINGS, "planned_portions": 14, "planned_portions_low": 9, "planned_portions_high": 23, "planned_ml": 3500,
}  # fmt: skip


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    """A logbook with the anion resin blue, the mixed bed grey and a batch of each."""
    book = Logbook.open(tmp_path / "logbook.sqlite")
    add(book, "resin", name="blue", volume_ml="500", kind="anion")
    add(book, "resin", name="grey", volume_ml="1 L", kind="mixed")
    add(book, "batch", name="b7", resin="blue", date="2026-05-30")
    add(book, "batch", name="g1", resin="grey", date="2026-05-30")
    return book


def add(book: Logbook, what: str, /, **texts: str) -> None:
    Records(book, date(2026, 6, 1)).add([New(what, texts)], UTC)


def rinsed(book: Logbook, batch: str = "", settings: dict[str, object] | None = None) -> int:
    with book.begin_rinse({**SETTINGS, **(settings or {})}, batch, UTC) as writer:
        writer.close_rinse("finished", "stop", utc=UTC)
        return writer.rinse_id


def earlier(
    entrained: float | None, slow: float | None, *, endpoint_ml: float | None = 4000, is_flow: bool = False
) -> EarlierRinse:
    figures = replace(FIGURES, entrained_share=entrained, slow_share=slow, endpoint_ml=endpoint_ml)
    return EarlierRinse(on=date(2026, 1, 1), rinse=1, figures=figures, is_flow=is_flow)


# ---- a rinse belongs to a resin ------------------------------------------------------------------


def test_a_summary_names_the_resin_the_rinse_was_begun_for(book: Logbook) -> None:
    number = rinsed(book, "a batch nobody noted", {"resin": "blue"})
    record_summary(book, number, UTC, FIGURES)
    found = summary_of(book, number)
    assert found is not None and found.fields["resin"] == 1
    assert len(life_input(book, Records(book, date.max), "blue").history.rinses) == 1


def test_a_batch_noted_later_wins_over_the_resin_it_was_begun_for(book: Logbook) -> None:
    number = rinsed(book, "", {"resin": "blue"})
    record_summary(book, number, UTC, FIGURES)
    add(book, "batch", name="g2", resin="grey", date="2026-05-31", rinses=str(number))
    records = Records(book, date.max)
    counts = {name: len(life_input(book, records, name).history.rinses) for name in ("blue", "grey")}
    assert counts == {"blue": 0, "grey": 1}


def test_a_summary_given_again_keeps_a_persons_words(book: Logbook) -> None:
    """As after a rinse that was continued."""
    number = rinsed(book, "b7")
    record_summary(book, number, UTC, FIGURES)
    add_words(book, number, UTC, {"next_step": "acid", "remark": "a few beads lost"})
    record_summary(book, number, UTC, replace(FIGURES, used_ml=6000))
    found = summary_of(book, number)
    assert found is not None
    assert {name: found.fields[name] for name in ("used_ml", "next_step", "remark", "resin")} == {
        "used_ml": 6000, "next_step": "acid", "remark": "a few beads lost", "resin": 1,
    }  # fmt: skip


def test_a_bed_of_one_resin_has_its_kind_in_its_life(book: Logbook) -> None:
    history = life_input(book, Records(book, date.max), "blue").history
    assert history.resin.kind is not None and "base" in history.resin.kind.value
    assert life_input(book, Records(book, date.max), "grey").history.resin.kind is None
    assert Part.ANION.value == "anion"


# ---- which resin ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("resin", "batch", "found"),
    [("BLUE", "", "blue"), (None, "b7", "blue"), (None, "grey", "grey"), ("blue", "b7", "blue"), (None, "x", None),
     (None, "", None), ("blue", "unnoted", "blue")],
)  # fmt: skip
def test_the_resin_is_named_by_option_or_batch(book: Logbook, resin: str | None, batch: str, found: str | None) -> None:
    item = resin_named(book, resin, batch)
    assert (None if item is None else item.fields["name"]) == found


@pytest.mark.parametrize(
    ("resin", "batch", "words"),
    [("blu", "", "did you mean 'blue'.*logbook add resin"), ("grey", "b7", "has 'b7' for resin blue")],
)
def test_a_resin_that_cannot_be_is_refused(book: Logbook, resin: str, batch: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        resin_named(book, resin, batch)


def test_the_volume_of_a_mixed_bed_is_not_that_of_one_of_its_resins(book: Logbook) -> None:
    blue, grey = resin_named(book, "blue", ""), resin_named(book, "grey", "")
    assert blue is not None and grey is not None
    assert resin_volume_ml(book, blue, None) == 500
    assert resin_volume_ml(book, grey, "NaOH") is None
    assert resin_volume_ml(book, grey, "salt") == 1000, "before it is parted"
    record_summary(book, rinsed(book, "g1"), UTC, replace(FIGURES, resin_ml=600))
    assert resin_volume_ml(book, grey, "naoh") == 600, "as last time"
    assert resin_volume_ml(book, grey, "HCl") is None


# ---- what earlier rinses tell --------------------------------------------------------------------


def test_nothing_is_learned_from_what_says_nothing() -> None:
    open_end, flow = earlier(0.4, 0.1, endpoint_ml=None), earlier(0.4, 0.1, is_flow=True)
    assert learned_from([open_end, flow, earlier(None, None)], is_flow=False) is None


def test_centre_and_spread_are_robust() -> None:
    """The median of the logs; one wild rinse in five moves neither much. Worked by hand."""
    shares = [0.44, 0.46, 0.45, 0.47, 2.5]
    learned = learned_from([earlier(share, share / 5) for share in shares], is_flow=False)
    assert learned is not None and learned.rinses == 5 and learned.entrained is not None and learned.slow is not None
    assert learned.entrained.likely == 0.46
    # median absolute deviation of the logs: ln(0.46/0.45) = 0.02198, x 1.4826 = 0.03259; mixed with 3 rinses of 0.20:
    # sqrt((3 x 0.04 + 4 x 0.001062) / 7) = 0.1332; for the next one x sqrt(1 + 1/5) = 0.1459, below the least of 0.15
    assert learned.entrained.spread == LEAST_ENTRAINED_SPREAD
    assert learned.slow.spread >= LEAST_SLOW_SPREAD


def test_one_rinse_says_less_than_many() -> None:
    spreads = []
    for count in (1, 2, 8):
        learned = learned_from([earlier(0.45, 0.08)] * count, is_flow=False)
        assert learned is not None and learned.entrained is not None
        spreads.append(learned.entrained.spread)
    assert spreads[0] > spreads[1] > spreads[2] == LEAST_ENTRAINED_SPREAD
    assert spreads[0] == pytest.approx(0.20 * math.sqrt(2), abs=1e-3)


def test_only_the_latest_rinses_count() -> None:
    learned = learned_from([earlier(0.9, 0.3)] * 9 + [earlier(0.45, 0.08)] * 8, is_flow=False)
    assert learned is not None and learned.entrained is not None and learned.entrained.likely == 0.45


def test_it_is_told_in_one_line() -> None:
    learned = learned_from([earlier(0.45, 0.08)] * 3, is_flow=False)
    assert learned is not None
    words = learned_words(learned, "blue")
    assert words.startswith("forecast starts from 3 earlier rinses of blue: entrained 0.3")
    assert Share(0.45, 0.15).words == "0.35-0.58"  # 0.45 x exp(-+1.645 x 0.15) = 0.3516, 0.5759


def test_the_record_makes_the_same_setup_again(book: Logbook) -> None:
    for share in (0.40, 0.42, 0.44):
        record_summary(book, rinsed(book, "b7"), UTC, replace(FIGURES, entrained_share=share))
    blue = resin_named(book, "blue", "")
    assert blue is not None
    kept = stored_settings({**SETTINGS, **learned_settings(book, blue, SETTINGS)})
    setup = setup_from_settings(kept)
    assert setup.earlier_entrained is not None and setup.earlier_slow is not None
    assert setup.earlier_entrained[0] == pytest.approx(math.log(0.42))
    assert setup_from_settings(json.loads(json.dumps(kept))) == setup
    assert (kept["resin"], kept["earlier_rinses"]) == ("blue", 3)
    assert stored_settings(kept) == kept
    learned = learned_in(kept)
    assert learned is not None and learned.rinses == 3


def test_a_forecast_that_starts_from_earlier_rinses_is_narrower() -> None:
    """Before the first reading all is prior: a bed known from earlier rinses leaves less room. Far above the floor,
    which they do not tell."""
    far = {**SETTINGS, "endpoint": "200 uS/cm"}
    widths = []
    for more in ({}, {"earlier_entrained": [0.45, 0.15], "earlier_slow": [0.09, 0.3]}):
        ahead = Rinse(setup_from_settings({**far, **more})).state.remaining
        assert ahead is not None and ahead.low_ml is not None and ahead.high_ml is not None
        widths.append(math.log(ahead.high_ml / ahead.low_ml))
    assert widths[1] < 0.92 * widths[0]


@pytest.mark.parametrize("value", ["0.45", [0.45], [0.45, 0], [0, 0.15], [True, 0.15], [0.45, "x"], 0.45])
def test_a_share_that_is_none_is_refused(value: object) -> None:
    with pytest.raises(SetupError, match="earlier_entrained"):
        setup_from_settings({**SETTINGS, "earlier_entrained": value})


# ---- planned beside used -------------------------------------------------------------------------


def test_planned_stands_beside_used() -> None:
    assert planned_line(PLAN, 11, 2750.0) == (
        "planned 14 (9 to 23) portions of 250 mL, 3.50 L of DI water; used 11 portions, 2.75 L"
    )
    hard = {name: value for name, value in PLAN.items() if name != "planned_portions_high"}
    assert "14 (9 or more) portions" in str(planned_line(hard, 1, 250.0))
    assert planned_line(SETTINGS, 11, 2750.0) is None


@pytest.mark.parametrize(
    ("given", "kept"),
    [({}, True), ({"feed": "10 ppm"}, True), ({"portion_ml": "300"}, True), ({"resin_ml": "0.5 L"}, True),
     ({"resin_ml": "700"}, False), ({"endpoint": "zero"}, False), ({"endpoint": "Feed"}, True),
     ({"flow_ml_min": "100"}, False)],
)  # fmt: skip
def test_a_plan_for_another_rinse_is_not_compared(given: dict[str, object], kept: bool) -> None:
    assert ("planned_ml" in settings_over_plan(PLAN, given)) is kept


def test_the_plan_file_carries_its_figures_and_logbook_show_tells_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], book: Logbook
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("RINSEWATCH_DATA", str(tmp_path))
    options = ["--anion-ml", "500", "--feed", "9 ppm", "--rinse-water", "0 ppm", "--portion-ml", "250",
               "--caustic", "NaOH", "--save", "plan.toml"]  # fmt: skip
    assert run(["plan", *options]) == 0
    from rinsewatch.cli.planfile import settings_from_plan

    planned = settings_from_plan("plan.toml", None)
    assert isinstance(planned["planned_portions"], int)
    assert planned["planned_ml"] == 250 * planned["planned_portions"]
    number = rinsed(book, settings=stored_settings(planned))
    book.close()
    shown = _shown(capsys, number)
    assert f"planned {planned['planned_portions']} (" in shown and "used 0 portions, 0 mL" in shown
    assert json.loads(_shown(capsys, number, "--json"))["planned"]["planned_ml"] == planned["planned_ml"]


def _shown(capsys: pytest.CaptureFixture[str], number: int, *options: str) -> str:
    capsys.readouterr()
    assert run(["logbook", "show", str(number), *options]) == 0
    return capsys.readouterr().out
