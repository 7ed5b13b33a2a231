"""Whatever an error quotes, it is one line that can be shown, and says at its end what to do."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rinsewatch.errors import LONGEST, RecordingError, RinsewatchError, UsageError, one_line
from rinsewatch.logbook.csvfile import read_recording
from rinsewatch.logbook.dump import whole_from_json
from rinsewatch.logbook.settings import setup_from_settings
from rinsewatch.logbook.wholefile import write_whole
from rinsewatch_drivers.errors import DriverError, ProfileError
from rinsewatch_drivers.profile import parse_profile


@given(st.text(st.characters(), max_size=900))
def test_any_words_become_one_printable_line(words: str) -> None:
    for shown in (one_line(words), str(UsageError(words)), str(DriverError(words))):
        assert shown.isprintable()
        assert len(shown) <= LONGEST


def test_what_is_printable_and_short_stays_as_it_is() -> None:
    for words in ("", "12 µS/cm is none; write ppm", "x" * LONGEST):
        assert str(RinsewatchError(words)) == str(DriverError(words)) == words


def test_beginning_and_advice_are_kept_of_a_long_one() -> None:
    shown = str(RecordingError("file.csv: " + "9" * 5000 + " is no number; write one"))
    assert shown.startswith("file.csv: 99") and shown.endswith("99 is no number; write one") and "9...9" in shown


def test_a_line_break_in_a_heading_stays_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "odd.csv"
    path.write_text('time_s,reading,unit,"x\n\x1b[2Jy",rinse_ml\n1,2,ppm\n')
    with pytest.raises(RecordingError) as told:
        list(read_recording(path).rows)
    assert str(told.value).isprintable() and "column x\\n\\x1b[2Jy: missing" in str(told.value)


def test_what_a_profile_holds_cannot_fill_the_screen() -> None:
    with pytest.raises(ProfileError) as told:
        parse_profile(f'name = "a"\nkind = "{"k" * 5000}"\n', "mine.toml")
    assert len(str(told.value)) <= LONGEST and str(told.value).endswith("choose text, modbus-rtu")


@pytest.mark.parametrize("pattern", ["(?P<value>[[0-9]+)", "(?P<value>[0-9--]+)", "(?P<value>[0-9&&1]+)"])
def test_a_pattern_whose_meaning_may_change_is_refused_not_warned_about(pattern: str) -> None:
    text = f'name = "a"\nkind = "text"\n[text]\nformat = "pattern"\nunit = "ppm"\npattern = "{pattern}"\n'
    with pytest.raises(ProfileError, match=r"text\.pattern: no regular expression: Possible"):
        parse_profile(text, "mine.toml")


# Python reads no whole number of over 4300 digits (sys.int_info), and no nesting deeper than its own stack.
@pytest.mark.parametrize("value", ["1" * 5000, "[" * 5000, '"x", "y"', "0x" + "f" * 40])
def test_toml_that_breaks_its_reader_is_one_line_too(tmp_path: Path, value: str) -> None:
    from rinsewatch.cli.planfile import settings_from_plan

    path = tmp_path / "odd"
    path.write_text(f"# resin_ml = {value}\ntime_s,reading,unit,rinse_ml\n1,2,ppm,0\n")
    with pytest.raises(UsageError):
        setup_from_settings(read_recording(path).settings)
    with pytest.raises(ProfileError):
        parse_profile(f"name = {value}\n", "mine.toml")
    path.write_text(f"[rinse.NaOH]\nresin_ml = {value}\nx = 1\n")
    with pytest.raises(UsageError):
        settings_from_plan(str(path), "NaOH")


@pytest.mark.parametrize("text", ["[" * 5000, '{"rinsewatch_logbook": ' + "1" * 5000 + "}", "[1]", "7"])
def test_json_that_breaks_its_reader_is_one_line_too(text: str) -> None:
    with pytest.raises(RecordingError):
        whole_from_json("all.json", text)


@pytest.mark.parametrize("settings", ["5", "[[[1]]]", "[" * 5000, "null", "{"])
def test_a_folder_whose_settings_are_none_is_refused(tmp_path: Path, settings: str) -> None:
    from rinsewatch.logbook.csvfolder import csv_text, rinse_dumps

    head = ("number", "uuid", "batch", "started_utc", "ended_utc", "end_reason", "verdict", "settings")
    row = ("1", "u", "", "2026-03-01T10:00:00Z", "", "", "", settings)
    (tmp_path / "rinses.csv").write_bytes(csv_text(head, [row]).encode())
    (tmp_path / "rinse-0001.csv").write_text("time_s,reading,unit,rinse_ml\n1,2,ppm,0\n")
    with pytest.raises(RecordingError, match="are no settings"):
        list(rinse_dumps(tmp_path))


def test_on_a_disk_that_takes_nothing_tidying_up_is_no_second_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(Path, "open", refuse)
    monkeypatch.setattr(Path, "unlink", refuse)
    with pytest.raises(RecordingError, match="cannot be written: Read-only file system"):
        write_whole(tmp_path / "report.html", [b"page"])
