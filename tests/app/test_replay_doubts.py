"""Recordings that can be replayed but look wrong, and several files of which one is bad."""

from __future__ import annotations

from pathlib import Path

import pytest

from rinsewatch.cli.main import run

HEAD = '# resin_ml = 500\n# portion_ml = 250\n# residue = "NaOH"\n# endpoint = "12 uS/cm"\n'
COLUMNS = "time_s,reading,unit,temperature_c,rinse_ml,event\n"


def recording(folder: Path, rows: str, *, head: str = HEAD, name: str = "r.csv") -> str:
    path = folder / name
    path.write_text(head + COLUMNS + rows)
    return str(path)


def warnings(capsys: pytest.CaptureFixture[str], file: str) -> list[str]:
    lines = capsys.readouterr().err.splitlines()
    start = f"rinsewatch: warning: {file}: "
    assert all(line.startswith(start) for line in lines), lines
    return [line.removeprefix(start) for line in lines]


def test_time_running_backwards_is_told_once_with_its_row(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = recording(tmp_path, "10,900,uS/cm,,250,\n9,880,uS/cm,,250,\n8,870,uS/cm,,250,\n")
    assert run(["replay", file]) == 0
    (said,) = warnings(capsys, file)
    assert said.startswith("row 2: time_s runs backwards (9 after 10)")


def test_volume_falling_is_told_once_unless_undone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = "1,,,,250,portion\n2,,,,500,portion\n3,,,,250,undo\n4,900,uS/cm,,250,\n5,900,uS/cm,,100,\n6,900,uS/cm,,50,\n"
    file = recording(tmp_path, rows)
    assert run(["replay", "--json", file]) == 0
    (said,) = warnings(capsys, file)
    assert said.startswith("row 5: rinse_ml falls from 250 to 100 without an undo")


def test_a_misspelt_setting_is_told_with_the_nearest_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    head = HEAD + '# rinse-water = "0.5 uS/cm"\n# tds_facter = 0.7\n# operator = "somebody"\n'
    file = recording(tmp_path, "1,900,uS/cm,,250,\n", head=head)
    assert run(["replay", file]) == 0
    assert warnings(capsys, file) == [
        "the setting rinse-water is unknown and ignored; did you mean rinse_water?",
        "the setting tds_facter is unknown and ignored; did you mean tds_factor?",
    ]


def test_a_bad_file_does_not_keep_the_others_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = recording(tmp_path, "1,nine,uS/cm,,250,\n", name="bad.csv")
    bare = recording(tmp_path, "1,900,uS/cm,,250,\n", head="", name="bare.csv")
    good = recording(tmp_path, "1,900,uS/cm,,250,\n", name="good.csv")
    assert run(["replay", bad, bare, good]) == 2
    captured = capsys.readouterr()
    assert captured.out.startswith(f"{good}: 1 readings")
    first, second = captured.err.splitlines()
    assert first.startswith(f"rinsewatch: {bad}, row 1, column reading")
    assert second.startswith(f"rinsewatch: {bare}: the rinse is not fully described")


def test_notes_act_on_what_follows(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = "1,,,,250,portion\n2,900,uS/cm,,250,\n3,,,,250,note: feed = 12 ppm\n4,880,uS/cm,,250,\n"
    file = recording(tmp_path, rows, head=HEAD.replace("12 uS/cm", "feed") + '# feed = "9 ppm"\n')
    assert run(["replay", "--json", file]) == 0
    first, second = capsys.readouterr().out.splitlines()
    assert '"target_us_cm": 18.0' in first
    assert '"target_us_cm": 24.0' in second
