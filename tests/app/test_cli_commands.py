"""The other commands: replay, logbook, meters, demo; and the small parts behind watch."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from fakemeter import FakeMeter, Washout

from rinsewatch.cli.bench_fault_program import run_program
from rinsewatch.cli.keydesk import KeyDesk
from rinsewatch.cli.lines import parse_line
from rinsewatch.cli.main import run
from rinsewatch.cli.meterscan import check_lines
from rinsewatch.errors import UsageError
from rinsewatch.logbook.store import Logbook
from rinsewatch.quantities import Quantity
from rinsewatch.session.commands import (
    Answer,
    CheckMeter,
    ConfirmProbe,
    Finish,
    Note,
    Pour,
    SetPortion,
    TogglePause,
    Typed,
    Undo,
)

HEAD = '# resin_ml = 500\n# portion_ml = 250\n# residue = "NaOH"\n# endpoint = "24 uS/cm"\n'
COLUMNS = "time_s,reading,unit,temperature_c,rinse_ml,event\n"


class StoppedClock:
    """A clock at which nothing moves."""

    def monotonic(self) -> float:
        return 0.0

    def utc(self) -> datetime:
        return datetime(2026, 1, 31, 12, tzinfo=UTC)

    def wait(self, seconds: float) -> None:
        pass


CLOCK = StoppedClock()


def recording(path: Path, portions: int = 14) -> Path:
    """An invented rinse: each portion leaves 60 % of the residue; settled readings typed by hand."""
    lines = []
    for count in range(1, portions + 1):
        lines.append(f"{count * 180},,,,{count * 250},portion\n")
        lines.append(f"{count * 180 + 90},{4000 * 0.6**count + 1:.1f},uS/cm,,{count * 250},\n")
    path.write_text(HEAD + COLUMNS + "".join(lines) + f"{portions * 180 + 99},,,,{portions * 250},fault: odd\n")
    return path


class TestReplay:
    def test_json_counts_rows_and_names_the_file(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        one, two = recording(tmp_path / "a.csv", 3), recording(tmp_path / "b.csv", 2)
        assert run(["replay", "--json", str(one), str(two)]) == 0
        lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
        assert [(Path(line["file"]).name, line["row"]) for line in lines] == [
            ("a.csv", 2), ("a.csv", 4), ("a.csv", 6), ("b.csv", 2), ("b.csv", 4),
        ]  # fmt: skip
        assert lines[3]["remaining_ml"] == lines[0]["remaining_ml"], "two files are two independent rinses"

    def test_the_summary_tells_stop_savings_and_faults(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert run(["replay", str(recording(tmp_path / "a.csv"))]) == 0
        out = capsys.readouterr().out
        # 4000 x 0.6^n + 1 first falls to 24 uS/cm at n = 11: 2750 mL of 3500
        assert "stop      after 2750 mL" in out
        assert "saved     750 mL" in out
        assert "faults    odd" in out

    def test_options_win_over_the_file(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        path = recording(tmp_path / "a.csv", 2)
        assert run(["replay", "--json", str(path), "--endpoint", "100 uS/cm"]) == 0
        assert json.loads(capsys.readouterr().out.splitlines()[0])["target_us_cm"] == 100.0

    def test_a_bare_foreign_recording_with_a_flow(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        path = tmp_path / "foreign.csv"
        path.write_text("time_s,reading,unit\n0,900,uS/cm\n60,500,uS/cm\n")
        options = ["--flow-ml-min", "100", "--resin-ml", "500", "--residue", "HCl", "--endpoint", "12 uS/cm"]
        assert run(["replay", "--json", str(path), *options]) == 0
        assert [json.loads(line)["rinse_ml"] for line in capsys.readouterr().out.splitlines()] == [0.0, 100.0]


def hand_rinse(folder: Path) -> Path:
    """A short rinse recorded through watch; returns the logbook."""
    options = ["--resin-ml", "500", "--portion-ml", "250", "--residue", "NaOH", "--endpoint", "12 uS/cm"]
    words = ["watch", "--port", "hand", "--batch", "blue", *options]
    assert run_program(folder, *words, typed="p\n= 900 uS/cm\nn first\nq\n")[0] == 0
    return folder / "logbook.sqlite"


class TestLogbook:
    def test_list_show_export_verify(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        hand_rinse(tmp_path)
        monkeypatch.setenv("RINSEWATCH_DATA", str(tmp_path))
        assert run(["logbook", "list"]) == 0
        assert "blue   3 rows  finished" in capsys.readouterr().out
        assert run(["logbook", "show", "1"]) == 0
        shown = capsys.readouterr().out
        assert "endpoint = 12 uS/cm" in shown and "note: first" in shown
        assert run(["logbook", "export", "1", "-"]) == 0
        text = capsys.readouterr().out
        assert '# batch = "blue"' in text and "note: first" in text
        assert run(["logbook", "verify"]) == 0
        assert "rinse 1: in order, 3 rows" in capsys.readouterr().out

    def test_an_existing_file_is_not_overwritten(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        logbook = hand_rinse(tmp_path)
        target = tmp_path / "mine.csv"
        target.write_text("mine")
        assert run(["logbook", "export", "1", str(target), "--logbook", str(logbook)]) == 2
        assert target.read_text() == "mine"
        assert "exists already" in capsys.readouterr().err

    def test_a_direction_mark_in_a_name_is_kept_but_turns_no_line_round(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        book, name = ["--logbook", str(tmp_path / "logbook.sqlite")], "a\u202eb\u200fc"
        settings = {"resin_ml": 500, "portion_ml": 250, "residue": "NaOH", "endpoint": "12 uS/cm"}
        with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
            logbook.begin_rinse(settings, name, "2026-11-27T08:00:00Z").close()
        for words in (["list"], ["show", "1"]):
            assert run(["logbook", *words, *book]) == 0
            shown = capsys.readouterr().out
            assert "a b c" in shown and "\u202e" not in shown
            assert run(["logbook", *words, "--json", *book]) == 0
            assert json.loads(capsys.readouterr().out.splitlines()[0])["batch"] == name

    def test_damage_is_exit_4_and_named(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        logbook = hand_rinse(tmp_path)
        content = bytearray(logbook.read_bytes())
        at = content.rindex(b"note: first")
        content[at : at + 11] = b"note: worse"
        logbook.write_bytes(content)
        assert run(["logbook", "verify", "--logbook", str(logbook)]) == 4
        captured = capsys.readouterr()
        assert "rinse 1: row 3" in captured.out
        assert "checks failed" in captured.err

    def test_no_logbook_yet(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert run(["logbook", "list", "--logbook", str(tmp_path / "none.sqlite")]) == 4
        assert "no logbook yet" in capsys.readouterr().err
        assert not (tmp_path / "none.sqlite").exists()


class TestMeters:
    def test_listing_names_the_profiles(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert run(["meters"]) == 0
        assert "plain-number" in capsys.readouterr().out

    def test_listening_shows_bytes_and_the_profile_that_fits(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        with FakeMeter(tmp_path / "meter", rate_hz=20) as meter:
            assert run(["meters", str(meter.link), "--seconds", "0.6"]) == 0
        out = capsys.readouterr().out
        assert "use it: --meter plain-number" in out
        assert " uS/cm" in out

    def test_a_named_profile_is_read_with(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        with FakeMeter(tmp_path / "meter", rate_hz=20) as meter:
            options = ["--seconds", "0.6", "--meter"]
            assert run(["meters", str(meter.link), *options, "plain-number"]) == 0
            out = capsys.readouterr().out
            assert "readings with the profile plain-number" in out and "use it" not in out
            assert run(["meters", str(meter.link), *options, "key-value"]) == 3
        assert "bytes came, but none fits the profile key-value" in capsys.readouterr().err

    def test_a_standard_is_compared(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        # 1413 uS/cm: 0.01 mol/L KCl at 25 C, the usual calibration standard (from memory)
        steady = Washout(start=0.0, floor=1413.0 * 1.04)
        with FakeMeter(tmp_path / "meter", steady, rate_hz=20) as meter:
            options = ["--check", "1413 uS/cm", "--seconds", "1", "--meter", "plain-number"]
            assert run(["meters", str(meter.link), *options]) == 0
        assert "off by +4." in capsys.readouterr().out.replace("+3.9", "+4.0")

    @pytest.mark.parametrize(
        ("values", "words"),
        [
            ([1413.0, 1420.0], "good"),
            ([1470.0, 1472.0], "fair"),
            ([1600.0, 1601.0], "calibrate"),
            ([900.0, 1413.0], "not settled"),
        ],
    )
    def test_what_the_comparison_means(self, values: list[float], words: str) -> None:
        assert check_lines(values, 1413.0, "1413 uS/cm")[-1].startswith(words)


class TestDemo:
    def test_ends_by_itself_at_a_right_stop_and_is_recorded(self, tmp_path: Path) -> None:
        code, out, err = run_program(tmp_path, "demo", "--plain", "--speed", "200")
        assert code == 0, err
        ratio = float(out.split(" x the target")[0].rsplit(" ", 1)[1])
        assert ratio <= 1.15
        with Logbook.open(tmp_path / "demo.sqlite") as logbook:
            assert logbook.rinse(1).verdict == "stop"
        assert not (tmp_path / "logbook.sqlite").exists(), "the real logbook is left alone"

    def test_it_begins_anew_unless_told_to_keep(self, tmp_path: Path) -> None:
        for options, rinses in (([], 1), ([], 1), (["--keep"], 2)):
            code, out, _ = run_program(tmp_path, "demo", "--json", "--seconds", "1", *options)
            assert code == 5, "the time is up before the endpoint"
            assert all(json.loads(line)["verdict"] for line in out.splitlines())
            with Logbook.open(tmp_path / "demo.sqlite") as logbook:
                assert len(logbook.rinses()) == rinses


class TestLines:
    @pytest.mark.parametrize(
        ("line", "command"),
        [
            ("p", Pour()), ("p 250", Pour(250.0)), ("p 0.5 L", Pour(500.0)), ("u", Undo()), ("n calm", Note("calm")),
            ("v 300", SetPortion(300.0)), ("ok", ConfirmProbe()), ("y", Answer(True)), ("no", Answer(False)),
            ("c", ConfirmProbe()), ("n", Answer(False)),
            ("q", Finish("finished")), ("", None), ("  ", None),
            ("k 84 uS/cm", CheckMeter(Quantity(84.0, "uS/cm"))),
            ("k 9.0 ppm, read 8.8 ppm", CheckMeter(Quantity(9.0, "ppm", 1), Quantity(8.8, "ppm", 1))),
        ],
    )  # fmt: skip
    def test_commands(self, line: str, command: object) -> None:
        assert parse_line(line, CLOCK) == command

    def test_a_typed_reading(self) -> None:
        command = parse_line("= 12.50 ppm", CLOCK)
        assert isinstance(command, Typed)
        assert (command.reading.value, command.reading.unit, command.reading.decimals) == (12.5, "ppm", 2)

    @pytest.mark.parametrize(
        "line",
        ["x", "p -1", "p 3 ppm", "= 12", "= ", "u 3", "note", "q now", "k", "k 84", "k 84 uS/cm, read 83", "k 84 mL"],
    )
    def test_what_is_no_command(self, line: str) -> None:
        with pytest.raises(UsageError):
            parse_line(line, CLOCK)


class TestKeyDesk:
    def press(self, desk: KeyDesk, keys: str, *, asked: bool = False, stopped: bool = False) -> object:
        command = None
        for key in keys:
            named = "enter" if key == "\n" else key
            command = desk.press(named, asked=asked, stopped=stopped)
        return command

    def test_single_keys(self) -> None:
        desk = KeyDesk(CLOCK)
        assert self.press(desk, "p") == Pour(keyed=True)
        assert self.press(desk, " ") == TogglePause()
        assert self.press(desk, "x") is None

    def test_words_are_asked_for(self) -> None:
        desk = KeyDesk(CLOCK)
        assert self.press(desk, "v300") is None
        assert desk.question == "New portion volume (mL): 300_"
        assert self.press(desk, "\n") == SetPortion(300.0)
        assert self.press(desk, "npump\n") == Note("pump"), "a p in a note pours nothing"
        assert self.press(desk, "k9 ppm\n") == CheckMeter(Quantity(9.0, "ppm"))
        assert self.press(desk, "v-3\n") is None
        assert "more than 0" in desk.message

    def test_a_slip_leaves_the_line_open_to_be_mended(self) -> None:
        """Typed anew into a closed line the p of ppm would count a portion."""
        desk = KeyDesk(CLOCK)
        assert self.press(desk, "=412\n") is None
        assert "no unit" in desk.question and desk.question.endswith("Again: 412_")
        reading = self.press(desk, " ppm\n")
        assert isinstance(reading, Typed) and desk.question == "" and desk.message == ""
        assert self.press(desk, "=412\n") is None
        assert desk.press("escape", asked=False, stopped=False) is None and desk.question == ""
        assert self.press(desk, "p") == Pour(keyed=True)

    def test_finishing_asks_unless_stop_was_said(self) -> None:
        desk = KeyDesk(CLOCK)
        assert self.press(desk, "qn") is None
        assert self.press(desk, "qy") == Finish("finished")
        assert self.press(desk, "q", stopped=True) == Finish("finished")

    def test_an_open_question_of_the_session_takes_y_and_n(self) -> None:
        desk = KeyDesk(CLOCK)
        assert self.press(desk, "y", asked=True) == Answer(True)
        assert self.press(desk, "n", asked=True) == Answer(False)
        assert self.press(desk, "y") is None

    def test_a_paste_does_nothing_but_say_so(self) -> None:
        desk = KeyDesk(CLOCK)
        assert desk.press("pasted", asked=False, stopped=False) is None
        assert "ignored" in desk.message
