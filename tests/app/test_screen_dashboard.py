"""The dashboard: fits exactly, says everything in words, stays legible in ASCII and in small windows."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from rinsewatch.rinse.state import Verdict
from rinsewatch.screen.dashboard import LEAST_HEIGHT, LEAST_WIDTH, Dashboard, compose
from rinsewatch.screen.help import CAUTIONS
from rinsewatch.screen.picture import invented_snapshot, main, picture
from rinsewatch.screen.snapshot import Snapshot

SIZES = [(80, 24), (120, 40), (LEAST_WIDTH, LEAST_HEIGHT), (300, 100), (200, 20)]


def drawn(snapshot: Snapshot, width: int = 80, height: int = 24, encoding: str = "utf-8") -> str:
    """What a terminal of this size and encoding gets, colours off."""
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding=encoding, errors="strict", newline="")
    console = Console(
        file=stream, width=width, height=height, force_terminal=True, color_system=None, legacy_windows=False
    )
    console.print(Dashboard(console).render(snapshot), end="")
    stream.flush()
    return raw.getvalue().decode(encoding)


def words(snapshot: Snapshot, width: int = 80, height: int = 24) -> str:
    return drawn(snapshot, width, height, "ascii")


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("verdict", list(Verdict))
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_fits_exactly(size: tuple[int, int], verdict: Verdict, encoding: str) -> None:
    rows = drawn(invented_snapshot(verdict), *size, encoding).split("\n")
    assert len(rows) == size[1]
    assert {cell_len(row) for row in rows} == {size[0]}


KEY_WORDS = {
    Verdict.RINSE: ["RINSE ON", ">>>", "5 more portions (4 to 7), about 22 min"],
    Verdict.STOP: ["STOP", "#" * 80, "pour no more"],
    Verdict.CHECK: [
        "CHECK THE PROBE",
        "?" * 80,
        "press c",
        "NOT TRUSTED",
        "stop is called on these readings",
    ],
    Verdict.STALLED: ["STALLED", "=" * 80, "more water will not help", "may never get there"],
}


def spoken(text: str) -> str:
    """Words only: banner frames and line ends out, as the eye reads it."""
    return " ".join(text.replace("??", " ").replace("==", " ").replace("##", " ").split())


@pytest.mark.parametrize("verdict", list(Verdict))
def test_each_verdict_says_its_words_and_shows_its_mark(verdict: Verdict) -> None:
    text = words(invented_snapshot(verdict))
    for said in KEY_WORDS[verdict]:
        assert said in text or said in spoken(text), said


def test_marks_of_the_verdicts_differ() -> None:
    second_lines = {words(invented_snapshot(verdict)).split("\n")[1] for verdict in Verdict}
    assert len(second_lines) == 4


def test_stop_is_written_in_large_letters() -> None:
    rows = words(invented_snapshot(Verdict.STOP)).split("\n")
    assert rows[2][4:25] == " ###  #####   ##   ###"[:21]
    assert rows[1] == rows[7] == "#" * 80


def test_the_facts_are_there() -> None:
    text = words(invented_snapshot())
    for said in (
        "31 ppm = about 62 uS/cm",
        "caustic left about 9.9 mg/L",
        "target 18 (9 ppm, feed water)",
        "floor 1.2",
        "certainty costs 410 mL",
        "2.25 L poured in 9 portions",
        "in order; read 1 s ago",
        "756 rows saved",
        "plain text meter on /dev/ttyUSB0: open",
        "0:37:48",
        "Portion 9 poured: 250 mL",
    ):
        assert said in text, said


def test_all_keys_are_listed_and_portion_keys_only_where_they_mean_something() -> None:
    text = words(invented_snapshot())
    for said in (
        "p portion",
        "u undo",
        "v volume",
        "= type in",
        "f is feed",
        "w is water",
        "n note",
        "space pause",
        "c probe ok",
        "q finish",
        "? help",
    ):
        assert said in text, said
    flow = invented_snapshot()
    flow = replace(flow, state=replace(flow.state, is_flow=True))  # type: ignore[type-var]
    assert "p portion" not in words(flow)
    assert "space pause" in words(flow)


@pytest.mark.parametrize("width", [LEAST_WIDTH, 80])
def test_key_lines_are_never_cut(width: int) -> None:
    keys = words(invented_snapshot(), width, 24).split("\n")[-2:]
    assert not any("..." in row for row in keys)


def test_a_question_takes_the_message_line() -> None:
    text = words(replace(invented_snapshot(), question="New portion volume (mL): 25_"))
    assert "New portion volume (mL): 25_" in text
    assert "Enter accept" in text and "p portion" not in text


def test_not_saved_stays_in_sight_whatever_else_is_shown() -> None:
    snapshot = replace(invented_snapshot(Verdict.STOP), recorded="NOT SAVED: disk full")
    assert "!! NOT SAVED: disk full !!" in words(snapshot)
    assert "!! NOT SAVED" in words(replace(snapshot, question="Note: _"))
    assert "!! NOT SAVED" in words(replace(snapshot, show_help=True))
    assert "NOT SAVED" in words(snapshot, 40, 8)


def test_help_shows_every_caution_at_80x24() -> None:
    text = words(replace(invented_snapshot(Verdict.STOP), show_help=True))
    for caution in CAUTIONS:
        assert caution in text
    assert "STOP" in text.split("\n")[1]


def test_help_says_when_it_is_cut() -> None:
    assert "more in a taller window" in words(replace(invented_snapshot(), show_help=True), 80, 16)


def test_too_small_is_said_with_the_essentials() -> None:
    text = " ".join(drawn(invented_snapshot(Verdict.STOP), 40, 10, "ascii").split())
    for said in ("STOP: the rinse is done: pour no more", "Window 40x10 is too small", "64x16", "5 ppm"):
        assert said in text, said


def test_smallest_windows_still_begin_with_the_verdict() -> None:
    assert drawn(invented_snapshot(Verdict.STOP), 4, 1) == "STOP"


def test_a_roomy_window_shows_the_count_in_large_digits_and_the_chances() -> None:
    text = words(invented_snapshot(), 120, 40)
    assert text.count("eached now under 1 %, out of reach 2 %") == 1
    assert "Chances: reached" in text.split("\n")[4]
    assert text.split("\n")[2].startswith(">>  ####  RINSE ON")
    stalled = words(invented_snapshot(Verdict.STALLED), 120, 40)
    assert " Chances   reached now" in stalled, "the banner has the reason"


def test_waiting_and_paused_and_lost() -> None:
    waiting = replace(
        invented_snapshot(), state=None, history=(), band=(), last_reading_text="", last_reading_age_s=None
    )
    assert "WAITING" in words(waiting) and "not yet known" in words(waiting)
    assert "PAUSED, RINSE ON" in words(replace(invented_snapshot(), paused=True))
    assert "!! plain text meter on /dev/ttyUSB0: lost 4 s ago" in words(
        replace(invented_snapshot(), link_words="lost 4 s ago")
    )


def test_unicode_mode_writes_a_real_mu_and_braille() -> None:
    text = drawn(invented_snapshot())
    assert "\u00b5S/cm" in text and "uS/cm" not in text
    assert any(0x2800 < ord(char) < 0x2900 for char in text)


NASTY = "\x1b[31mred\x07 \u4f60\u597d \U0001f600 e\u0301 [bold]x[/bold] \udc80 \u202e"


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_text_from_outside_cannot_break_the_frame(encoding: str) -> None:
    snapshot = replace(
        invented_snapshot(),
        batch=NASTY,
        message=NASTY,
        meter_name=NASTY,
        port=NASTY,
        last_reading_text=NASTY,
        link_words=NASTY,
        recorded=NASTY,
    )
    text = drawn(snapshot, encoding=encoding)
    assert "\x1b" not in text and "\x07" not in text and "\u202e" not in text
    assert "[bold]" in text  # shown as it is, never taken as markup
    assert {cell_len(row) for row in text.split("\n")} == {80}


def test_no_colour_leaves_no_colour_codes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    stream = io.StringIO()
    console = Console(file=stream, width=80, height=24, force_terminal=True, color_system="truecolor")
    console.print(Dashboard(console).render(invented_snapshot(Verdict.STOP)))
    assert "\x1b[3" not in stream.getvalue() and ";4" not in stream.getvalue()
    assert "STOP" in stream.getvalue()


@settings(max_examples=120, deadline=None)
@given(
    st.integers(1, 300),
    st.integers(1, 100),
    st.sampled_from(list(Verdict)),
    st.booleans(),
    st.booleans(),
    st.text(),
)
def test_any_size_any_text(
    width: int, height: int, verdict: Verdict, ascii_only: bool, show_help: bool, text: str
) -> None:
    snapshot = replace(
        invented_snapshot(verdict),
        show_help=show_help,
        message=text,
        batch=text,
        question=text if show_help else "",
    )
    rows = ["".join(part for part, _ in line) for line in compose(snapshot, width, height, ascii_only)]
    assert len(rows) == height
    assert {cell_len(row) for row in rows} == {width}
    assert not ascii_only or all(row.isascii() for row in rows)


def test_picture_is_the_dashboard_and_says_it_is_invented(capsys: pytest.CaptureFixture[str]) -> None:
    main(["stop", "100x30", "ascii"])
    printed = capsys.readouterr().out
    assert printed == picture(Verdict.STOP, 100, 30, ascii_only=True)
    assert "invented" in printed and len(printed.splitlines()) == 30
