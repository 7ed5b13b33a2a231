"""What the screen says where little is known, and that long sentences are said to the end at 80 columns."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rinsewatch.rinse.setup import Endpoint, EndpointKind
from rinsewatch.rinse.state import Quality, Remaining, Verdict
from rinsewatch.rinse.verdict import (
    _IN_FLOW,
    _NO_FLOOR,
    _NO_FLOOR_IN_FLOW,
    _STALLED,
    _WORDS,
    DOUBTED,
    LASTING,
    STALLED_HIGH,
    STANDS,
)
from rinsewatch.screen import view
from rinsewatch.screen.chart import ChartData, chart_lines
from rinsewatch.screen.dashboard import LEAST_HEIGHT, LEAST_WIDTH, compose
from rinsewatch.screen.picture import invented_snapshot
from rinsewatch.screen.snapshot import BandPoint, ChartPoint, Snapshot


def blank(**changes: object) -> Snapshot:
    """Set up, nothing read yet."""
    fresh = replace(invented_snapshot(), state=None, history=(), band=(), last_reading_text="", last_reading_age_s=None)
    return replace(fresh, **changes)  # type: ignore[arg-type]


def with_state(snapshot: Snapshot, **changes: object) -> Snapshot:
    assert snapshot.state is not None
    return replace(snapshot, state=replace(snapshot.state, **changes))  # type: ignore[arg-type]


def text_of(snapshot: Snapshot, width: int = 80, height: int = 24) -> str:
    lines = compose(snapshot, width, height, ascii_only=True)
    assert len(lines) == height
    return "\n".join("".join(text for text, _ in line) for line in lines)


def spoken(text: str) -> str:
    """As the eye reads it: frames, large letters and line ends out."""
    for mark in ("??", "==", ">>", "#"):
        text = text.replace(mark, " ")
    return " ".join(text.split())


def test_the_target_is_known_before_the_first_row() -> None:
    assert view.target_words(blank()) == "target 18 (9 ppm, feed water)"
    setup = replace(
        invented_snapshot().setup, endpoint=Endpoint(EndpointKind.ZERO, None, "zero"), rinse_water_us_cm=1.0
    )
    assert view.target_words(blank(setup=setup)).startswith("target 1.1 (0.55 ppm, rinse water)")
    unknown = replace(setup, endpoint=Endpoint(EndpointKind.FEED, None, "feed"), feed_us_cm=None)
    assert "value not yet known" in view.target_words(blank(setup=unknown))
    assert "target 18" in text_of(blank()).split("poured in")[1], "and drawn in the chart"


@pytest.mark.parametrize(
    ("age_s", "said"), [(3.0, "typed 3 s ago"), (95.0, "typed 95 s ago"), (1200.0, "typed 20 min ago")]
)
def test_a_typed_reading_is_not_called_old(age_s: float, said: str) -> None:
    typed = replace(invented_snapshot(), by_hand=True, last_reading_age_s=age_s)
    assert view.probe_words(typed) == f"in order; {said}"
    assert "OLD" in view.probe_words(replace(typed, by_hand=False, last_reading_age_s=1200.0))
    none = replace(typed, last_reading_age_s=None)
    assert view.probe_words(none) == "in order; no reading yet"


def test_before_the_first_portion_there_is_no_filtrate() -> None:
    undone = replace(invented_snapshot(), poured_ml=0.0, portions=0)
    assert view.filtrate_words(undone).startswith("not yet known; target 18")
    flow = with_state(undone, is_flow=True)
    assert not view.filtrate_words(flow).startswith("not yet known")


@pytest.mark.parametrize("limit_us_cm", [4000.0, 60.0, 0.0])
def test_over_range_is_marked_at_the_top_and_under_range_at_the_bottom(limit_us_cm: float) -> None:
    history = [ChartPoint(0, limit_us_cm, "over"), ChartPoint(250, 900.0), ChartPoint(500, 0.0, "under")]
    lines = chart_lines(ChartData(history, (), 18.0, 1.0, 500.0), 80, 12, True)
    rows = ["".join(text for text, _ in line) for line in lines][1:-1]  # without legend and axis
    assert [number for number, row in enumerate(rows) if "^" in row] == [0]
    assert [number for number, row in enumerate(rows) if "v" in row] == [len(rows) - 1]


def test_far_below_the_trend_it_asks_for_a_forgotten_portion() -> None:
    low = with_state(invented_snapshot(Verdict.CHECK), cause="low", reason="the reading fell")
    said = spoken(text_of(low))
    assert "poured without p? Press p. Else probe into the filtrate, then c" in said
    assert "too low for the rinse: p forgotten?" in said
    flow = with_state(low, is_flow=True)
    assert "forgotten" not in view.probe_words(flow)
    assert "without p" not in view.verdict_action(flow)


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("flow", [False, True])
def test_each_reason_to_check_is_said_to_its_end(width: int, flow: bool) -> None:
    for cause, reason in (_IN_FLOW if flow else _WORDS).items():
        snapshot = with_state(invented_snapshot(Verdict.CHECK), cause=cause.value, reason=reason, is_flow=flow)
        said = spoken(text_of(snapshot, width))
        assert reason[1:] in said, said
        assert view.verdict_action(snapshot) in said, said
        assert view.probe_words(snapshot) in said, said


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("reason", [_STALLED, STALLED_HIGH])
def test_stalled_is_said_to_its_end(width: int, reason: str) -> None:
    said = spoken(text_of(with_state(invented_snapshot(Verdict.STALLED), reason=reason), width))
    assert reason[1:] in said


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("reason", [DOUBTED, STANDS])
def test_a_doubted_reading_is_said_to_its_end(width: int, reason: str) -> None:
    said = spoken(text_of(with_state(invented_snapshot(Verdict.RINSE), reason=reason), width))
    assert reason[1:] in said


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize(
    ("reason", "flow"), [(LASTING, False), (LASTING, True), (_NO_FLOOR, False), (_NO_FLOOR_IN_FLOW, True)]
)
def test_what_is_asked_without_a_hold_is_said_to_its_end(width: int, reason: str, flow: bool) -> None:
    """No reading is refused: the gate has no cause to name."""
    snapshot = with_state(invented_snapshot(Verdict.CHECK), cause="", reason=reason, is_flow=flow)
    said = spoken(text_of(snapshot, width))
    assert reason[1:] in said, said
    assert view.verdict_action(snapshot) in said, said


def test_a_long_verdict_takes_a_line_from_the_reason() -> None:
    snapshot = invented_snapshot()
    state = snapshot.state
    assert state is not None and state.remaining is not None
    long = with_state(snapshot, remaining=replace(state.remaining, mid_ml=41_000.0, high_ml=None))
    assert view.verdict_action(long) in spoken(text_of(long))
    assert len(view.verdict_action(long)) > 62


@pytest.mark.parametrize("field", ["message", "question"])
def test_a_long_message_or_question_gets_two_lines(field: str) -> None:
    words = "--rinse-water 20 ppm reads above --feed 9 ppm: are the two mixed up? Look at the meter's display again."
    snapshot = replace(invented_snapshot(), **{field: words})
    assert words in spoken(text_of(snapshot))


@pytest.mark.parametrize("size", [(LEAST_WIDTH, LEAST_HEIGHT), (80, 17), (80, 20), (80, 24), (120, 40)])
@pytest.mark.parametrize("verdict", list(Verdict))
def test_long_words_never_push_the_keys_off_the_screen(size: tuple[int, int], verdict: Verdict) -> None:
    snapshot = replace(
        with_state(invented_snapshot(verdict), reason="why " * 80, cause="a_very_long_cause " * 9),
        message="message " * 60, link_words="lost " * 50,
    )  # fmt: skip
    rows = text_of(snapshot, *size).split("\n")
    assert {len(row) for row in rows} == {size[0]}
    assert "? help" in rows[-1]


def test_a_doubtful_reading_is_to_be_read_again() -> None:
    doubtful = with_state(invented_snapshot(), quality=Quality.UNCERTAIN, cause="low", reading_us_cm=None)
    assert view.reading_words(doubtful) == "31 ppm: not trusted yet; read it again"


def test_whoever_types_readings_is_told_the_keys() -> None:
    assert view.verdict_action(blank()) == "dip the probe into the filtrate"
    assert view.verdict_action(blank(by_hand=True)) == "press p for each portion, = to type a reading"
    flow = replace(invented_snapshot().setup, portion_ml=None, flow_ml_min=100.0)
    assert view.verdict_action(blank(by_hand=True, setup=flow)) == "press = to type a reading"
    doubted = with_state(invented_snapshot(), reading_us_cm=None, quality=Quality.UNCERTAIN)
    shown = replace(doubted, last_reading_text="22.6 ppm")
    assert view.reading_words(shown) == "22.6 ppm: not trusted yet; read it again"
    assert view.reading_words(replace(shown, by_hand=True)).endswith("read it again; mistyped? press u")


def test_over_typed_by_hand_is_said_once() -> None:
    over = replace(invented_snapshot(), history=(ChartPoint(0, 0.0, "over"),), last_reading_text="over")
    assert view.reading_words(over) == "over range, more than 4000 uS/cm"


def test_a_yes_or_no_question_says_which_keys_answer_it() -> None:
    asked = replace(invented_snapshot(), question="Finish the rinse? y/n")
    assert " y yes   n no" in text_of(asked)
    typing = replace(invented_snapshot(), question="Note: tea_")
    assert "Enter accept   Esc leave it" in text_of(typing)


def test_in_flow_typed_readings_can_still_be_undone() -> None:
    flow = with_state(invented_snapshot(), is_flow=True)
    assert "u undo" not in text_of(flow)
    typed = text_of(replace(flow, by_hand=True))
    assert "u undo" in typed and "p portion" not in typed


def test_enough_water_before_the_stop_is_no_order_to_rinse_on() -> None:
    enough = Remaining(0.0, 0.0, 0.0)
    waiting = with_state(invented_snapshot(), remaining=enough)
    assert view.remaining_words(waiting) == "no more water needed; let the reading settle"
    assert view.remaining_words(with_state(invented_snapshot(Verdict.STOP))) == "no more water needed"


def test_a_forecast_without_end_does_not_heap_the_readings_up() -> None:
    """Poured 2 L, the median reaches the target at 4 L, the 95 % line only at 40 L."""
    history = [ChartPoint(100.0 * i, 1000.0 * 0.8**i) for i in range(21)]
    band = [BandPoint(2000.0 + 1000.0 * i, 1.0, 30.0 * 0.6**i, 900.0) for i in range(39)]
    lines = chart_lines(ChartData(history, band, 18.0, 1.0, 2000.0), 80, 12, True)
    axis = "".join(text for text, _ in lines[-1])
    assert "2 L" in axis and "10 L" not in axis
    body = ["".join(text for text, _ in line) for line in lines[1:-1]]
    assert max(row.rfind("o") for row in body) > 27, "the readings take a third of the width"
