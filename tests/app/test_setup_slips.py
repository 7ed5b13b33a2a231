"""Settings that are possible but look like a slip get one warning each, wherever they come from."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from rinsewatch.cli.main import run
from rinsewatch.logbook.sanity import setup_warnings

SOUND: dict[str, object] = {
    "resin_ml": 500, "portion_ml": 250, "residue": "NaOH", "endpoint": "feed", "feed": "9 ppm",
    "rinse_water": "0 ppm", "tds_factor": 0.5,
}  # fmt: skip


@pytest.fixture(autouse=True)
def nobody_types(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("RINSEWATCH_DATA", str(tmp_path / "data"))
    with open(os.devnull) as nothing:
        monkeypatch.setattr("sys.stdin", nothing)
        yield


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"rinse_water": "20 ppm"}, "--rinse-water 20 ppm reads above --feed 9 ppm"),
        ({"rinse_water": "20 uS/cm"}, "--rinse-water 20 uS/cm reads above --feed 9 ppm"),
        ({"rinse_water": "9 ppm"}, "--endpoint feed is at or below the rinse water (9 ppm)"),
        ({"endpoint": "3 uS/cm", "rinse_water": "2 ppm"}, "--endpoint 3 uS/cm is at or below the rinse water (2 ppm)"),
        ({"feed": "9 uS/cm"}, "--feed 9 uS/cm and --rinse-water 0 ppm are in two units"),
        ({"feed": "0 ppm"}, "--feed: 0 ppm is what a probe in air shows"),
        ({"resin_ml": 2, "portion_ml": 2}, "--resin-ml: 2 mL is very little"),
        ({"resin_ml": "1500 L", "portion_ml": "500 L"}, "--resin-ml: 1500 L is very much"),
        ({"portion_ml": "10.5 L"}, "--portion-ml: 10500 mL is 21 times the resin"),
        ({"portion_ml": 9}, "--portion-ml: 9 mL is a 56th of the resin"),
    ],
)
def test_a_slip_gets_its_word(changed: dict[str, object], words: str) -> None:
    warnings = setup_warnings(SOUND | changed)
    assert any(line.startswith(words) for line in warnings), warnings
    assert all("\n" not in line for line in warnings)


@pytest.mark.parametrize(
    "changed",
    [
        {},
        {"resin_ml": 5, "portion_ml": 100},
        {"resin_ml": "1000 L", "portion_ml": "20 L"},
        {"endpoint": "zero"},
        {"feed": "18 uS/cm", "rinse_water": "0.4 uS/cm"},
        {"endpoint": "5 uS/cm", "rinse_water": "2 ppm"},
        {"portion_ml": None, "flow_ml_min": 100},
        {"feed": "nonsense", "resin_ml": "none"},  # refused elsewhere
    ],
)
def test_sound_settings_get_none(changed: dict[str, object]) -> None:
    assert setup_warnings(SOUND | changed) == []


def test_half_the_answers_are_looked_at_too() -> None:
    assert setup_warnings({}) == []
    assert len(setup_warnings({"resin_ml": "1"})) == 1


def test_options_and_recordings_are_warned_about_alike(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    slip = "--rinse-water 20 ppm reads above --feed 9 ppm: are the two mixed up?"
    options = ["--resin-ml", "500", "--portion-ml", "250", "--residue", "NaOH", "--endpoint", "12 uS/cm"]
    waters = ["--feed", "9 ppm", "--rinse-water", "20 ppm"]
    assert run(["watch", "--port", "hand", *options, *waters]) == 0
    assert f"rinsewatch: warning: {slip}\n" in capsys.readouterr().err
    path = tmp_path / "r.csv"
    path.write_text("time_s,reading,unit,rinse_ml\n1,900,uS/cm,250\n")
    assert run(["replay", str(path), *options, *waters]) == 0
    assert f"rinsewatch: warning: {path}: {slip}\n" in capsys.readouterr().err
