"""``rinsewatch logbook`` as a person or a script uses it; every subcommand with --json."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from book import RUN, UTC, add, rinsed, with_resin

from rinsewatch.cli import logbookopen
from rinsewatch.cli.main import run
from rinsewatch.logbook import schema
from rinsewatch.logbook.rinsesummary import RinseFigures, record_summary
from rinsewatch.logbook.store import Logbook

Told = Callable[..., str]
Objects = Callable[..., list[dict[str, Any]]]


@pytest.fixture
def said(path: Path, capsys: pytest.CaptureFixture[str]) -> Told:
    """Run a subcommand on the test's logbook; its stdout, or with ``code`` the one line on stderr."""

    def ran(*words: str, code: int = 0) -> str:
        found = run(["logbook", *words, "--logbook", str(path)])
        out, err = capsys.readouterr()
        assert found == code, err
        if code:
            assert err.startswith("rinsewatch: ") and err.count("\n") == 1
            return err
        return out

    return ran


@pytest.fixture
def objects(said: Told) -> Objects:
    """The same with --json: the objects it printed."""
    return lambda *words: [json.loads(line) for line in said(*words, "--json").splitlines()]


@pytest.fixture
def book(path: Path) -> None:
    """A resin, a service run, a rinse, a note."""
    with with_resin(path) as logbook:
        rinsed(logbook)
        add(logbook, "run", **RUN)
        add(logbook, "note", text="new membrane", about="blue")


@pytest.mark.usefixtures("book")
def test_list_shows_local_minutes_with_their_offset_batch_and_residue(said: Told, objects: Objects) -> None:
    head, columns, line, _, others = said("list").splitlines()
    assert head.startswith("1 rinse in ") and columns.split()[:2] == ["no", "begun"]
    assert re.match(
        r"1   2026-0\d-\d\d \d\d:\d\d[+-]\d\d:\d\d  NaOH     feed      blue   22 rows  finished, verdict stop", line
    )
    assert "Z" not in line
    assert others.startswith("Also noted: 1 resin, 1 service run, 1 note; ")
    assert [one["settings"]["residue"] for one in objects("list")] == ["NaOH"]
    assert said("list", "runs").splitlines()[2].split() == ["1", "blue", "2026-02-01", "2026-03-01", "2400", "9", "ppm"]
    assert objects("list", "runs")[0] == {
        "record": "run", "number": 1, "resin": "blue", "installed": "2026-02-01", "removed": "2026-03-01",
        "litres": 2400, "feed": "9 ppm", "feed_us_cm": 18.0,
    }  # fmt: skip
    assert [one["record"] for one in objects("list", "notes", "--resin", "blue")] == ["note"]
    assert len(objects("list", "rinses", "--resin", "blue")) == 1
    assert objects("list", "resins")[0]["kind"] == "mixed bed"
    assert "none of: resin" in said("list", "wings", code=2)


@pytest.mark.usefixtures("book")
def test_show_tells_stored_rows_from_what_the_forecast_saw(path: Path, said: Told, objects: Objects) -> None:
    shown = said("show", "1")
    assert "22 rows stored, of these 1 line of the meter that were no reading" in shown
    assert "10 readings, 21 rows, 5000 mL" in shown
    (found,) = objects("show", "1")
    assert (found["rows_stored"], found["rows_observed"], found["last_verdict"]) == (22, 21, "stop")
    assert found["endpoint_ml"] in (4500, 5000) and found["events"][0]["event"] == "portion"
    assert "litres     2400" in said("show", "run", "1")
    assert objects("show", "resin", "blue")[0]["volume_ml"] == 1000
    assert objects("show", "rinse", "1")[0]["number"] == 1
    with Logbook.open(path) as logbook:
        figures = RinseFigures(resin_ml=500, residue="NaOH", endpoint="feed", used_ml=5000, endpoint_ml=4321)
        record_summary(logbook, 1, UTC, figures)
    assert "endpoint_ml     4321" in said("show", "1") and "verdict   stop" in said("show", "1", "--replay")
    assert objects("show", "1")[0]["summary"]["endpoint_ml"] == 4321
    far = "9" * 25
    for words in (
        ("show", "twelve"),
        ("show", "run"),
        ("show", "run", "1", "2"),
        ("show", "wing", "1"),
        ("show", "²"),
        ("show", far),
        ("show", "run", far),
        ("export", far, "-"),
        ("verify", far),
    ):
        said(*words, code=2)
    assert "no run '9'" in said("show", "run", "9", code=2)


@pytest.mark.usefixtures("book")
def test_a_batch_shows_its_rinses_with_their_endpoints(path: Path, said: Told, objects: Objects) -> None:
    with Logbook.open(path) as logbook:
        by_name, unlinked = rinsed(logbook, "b1"), rinsed(logbook, "other")
        figures = RinseFigures(resin_ml=500, residue="NaOH", endpoint="feed", used_ml=5000, endpoint_ml=4321)
        record_summary(logbook, by_name, UTC, figures)
        add(logbook, "batch", name="b1", resin="blue", date="2026-02-01", rinses="1")
    (batch,) = objects("show", "batch", "b1")
    found = [(rinse["number"], rinse["endpoint"], rinse["endpoint_ml"]) for rinse in batch["recorded_rinses"]]
    assert found == [(1, "feed", None), (by_name, "feed", 4321)]
    assert "rinse 2" in said("show", "batch", "b1") and "4321" in said("show", "batch", "b1")
    assert [rinse["number"] for rinse in objects("show", "resin", "blue")[0]["recorded_rinses"]] == [1, by_name]
    assert f"rinse {unlinked}" not in said("show", "resin", "blue")


@pytest.mark.usefixtures("book")
def test_correct_history_undo_delete(said: Told, objects: Objects) -> None:
    assert "litres: 2400 -> 2500" in said("correct", "run", "1", "litres=2500", "--why", "misread")
    assert objects("correct", "run", "1", "feed=10 ppm")[0]["before"]["feed"] == "9 ppm"
    history = said("show", "run", "1", "--history")
    assert "litres: 2400\n" in history and "corrected (misread)\n    litres: 2400 -> 2500" in history
    assert [one["act"] for one in objects("show", "run", "1", "--history")] == ["added", "corrected", "corrected"]
    assert "changed 2 times" in said("show", "run", "1")
    assert "say --yes" in said("delete", "run", "1", code=2)
    assert len(objects("list", "runs")) == 1
    assert objects("delete", "run", "1", "--yes")[0]["deleted"]["litres"] == 2500
    assert objects("list", "runs") == []
    assert "is not deleted any more" in said("undo")
    assert [one["act"] for one in objects("undo")] == ["corrected"]
    assert objects("list", "runs")[0]["feed"] == "9 ppm"
    for words in (
        ("correct", "run", "1", "litres"),
        ("correct", "run", "1", "litre=3"),
        ("correct", "run", "1", "litres=2500"),
    ):
        said(*words, code=2)


def test_add_from_options_makes_the_logbook(said: Told, objects: Objects) -> None:
    assert "added: resin 1 (blue)" in said("add", "resin", "--name", "blue", "--volume-ml", "1 L", "--kind", "mixed")
    words = ("--resin", "blue", "--installed", "2026-02-01", "--removed", "2026-03-01", "--litres", "2400")
    assert "feed: missing" in said("add", "run", *words, code=2)
    assert objects("add", "run", *words, "--feed", "9 ppm")[0]["number"] == 1
    assert "noted already" in said("add", "run", *words, "--feed", "9 ppm", code=2)
    assert objects("add", "note", "hello", "--about", "blue")[0]["about"] == "blue"
    assert objects("add", "batch", "--name", "b", "--resin", "blue", "--date", "2026-02-01")[0]["record"] == "batch"
    summary = (
        "--resin",
        "blue",
        "--date",
        "2026-02-01",
        "--residue",
        "HCl",
        "--resin-ml",
        "400",
        "--endpoint-ml",
        "3 L",
    )
    assert objects("add", "summary", *summary)[0]["endpoint_ml"] == 3000
    assert "future" in said("add", "note", "x", "--date", "2999-01-01", code=2)


@pytest.mark.usefixtures("book")
def test_search_verify_backup(said: Told, objects: Objects, folder: Path) -> None:
    assert [one["record"] for one in objects("search", "membrane")] == ["note"]
    assert "nothing found" in said("search", "walrus")
    assert "1 rinse in" in said("search", "quoted")
    assert said("verify").splitlines() == ["the file: in order", "rinse 1: in order, 22 rows"]
    assert [one["ok"] for one in objects("verify")] == [True, True]
    assert objects("backup", str(folder / "copy.sqlite"))[0]["backup"].endswith("copy.sqlite")
    assert "exists already" in said("backup", str(folder / "copy.sqlite"), code=4)
    with Logbook.open(folder / "copy.sqlite", create=False) as copy:
        assert copy.count() == 1


@pytest.mark.usefixtures("book")
def test_export_and_import(said: Told, objects: Objects, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for what, target in (("1", "rinse.csv"), ("runs", "runs.csv"), ("runs", "runs.json"), ("all", "all.json")):
        assert "written to" in said("export", what, str(folder / target))
        assert "--overwrite" in said("export", what, str(folder / target), code=2)
        assert objects("export", what, str(folder / target), "--overwrite")[0]["what"] in (what, "run")
    assert json.loads((folder / "runs.json").read_text())[0]["litres"] == 2400
    assert said("export", "runs", "-").splitlines()[1].startswith("1,blue,")
    assert "7 files" in said("export", "all", str(folder / "csv"))
    assert "is the recording of a rinse" in said("import", str(folder / "rinse.csv"), code=2)
    assert "noted already" in said("import", str(folder / "runs.csv"), "--yes", code=2)
    assert "holds records already" in said("import", str(folder / "all.json"), code=4)
    for source in ("all.json", "csv"):
        new = str(folder / f"{source}.sqlite")
        assert run(["logbook", "import", str(folder / source), "--logbook", new]) == 0
        assert "1 rinse and 3 records brought back" in capsys.readouterr().out
    said("undo"), said("undo")
    assert "nothing was added; say --yes" in said("import", str(folder / "runs.csv"))
    assert [one["added"] for one in objects("import", str(folder / "runs.csv"), "--dry-run", "--yes")] == [False]
    assert objects("list", "runs") == []
    assert [one["added"] for one in objects("import", str(folder / "runs.csv"), "--yes")] == [True]


@pytest.mark.usefixtures("book")
def test_import_of_an_own_table(said: Told, folder: Path) -> None:
    (folder / "old.csv").write_bytes("Début;Fin;Litres;Feed ppm\n01.04.2026;28.04.2026;1.240,5;9,5\n".encode("cp1252"))
    options = ("--resin", "blue", "--map", "installed=début", "--map", "removed=Fin", "--map", "feed=Feed ppm")
    assert "which column is installed? say --map" in said("import", str(folder / "old.csv"), "--resin", "blue", code=2)
    assert "nothing was added; say --yes" in said("import", str(folder / "old.csv"), *options)
    shown = said("import", str(folder / "old.csv"), *options, "--yes")
    assert "cp1252, 1 service run. Nothing is written yet" in shown and "1240.5" in shown
    assert "1 service run added; 'rinsewatch logbook undo' takes all of them back" in shown


def test_demo_data_and_life(path: Path, said: Told, objects: Objects, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert "invented records written" in said("demo-data")
    assert "is there already" in said("demo-data")
    assert objects("demo-data")[0] == {"logbook": str(path), "made": False, "records": 0, "invented": True}
    assert all("invented" in resin["name"] and "invented" in resin["remark"] for resin in objects("list", "resins"))
    well, foul = objects("life")
    assert len(well["cycles"]) == len(foul["cycles"]) == 12
    assert well["findings"] == [] and any("anion" in finding["sentence"] for finding in foul["findings"])
    shown = said("life", foul["resin"]["name"])
    assert "Findings:" in shown and all(finding["sentence"] in shown for finding in foul["findings"])
    assert foul["forecast_sentence"] in shown
    assert "the latest 3 of 12 cycles" in said("life", foul["resin"]["name"], "--cycles", "3")
    with Logbook.open(path) as logbook:
        assert all(found.ok for found in logbook.verify_all())


def test_demo_data_never_goes_into_a_persons_own_logbook(path: Path, said: Told, objects: Objects) -> None:
    with with_resin(path):
        pass
    assert "holds records already" in said("demo-data", code=4)
    assert len(objects("list", "resins")) == 1


def test_life_without_a_resin_and_a_resin_without_a_life(path: Path, said: Told) -> None:
    Logbook.open(path).close()
    assert "no resin is noted yet" in said("life", code=2)
    with with_resin(path):
        pass
    assert "Findings: none." in said("life", "blue")
    assert "did you mean 'blue'" in said("life", "blu", code=2)


def test_an_upgrade_is_announced_once(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Logbook.open(path, steps=schema.STEPS[:1]) as old:
        old.begin_rinse({"resin_ml": 500}, "blue", UTC).close()
    assert run(["logbook", "list", "--logbook", str(path)]) == 0
    out, err = capsys.readouterr()
    assert "1 rinse in" in out and "the old file is kept beside it as logbook.schema1.sqlite" in err
    assert run(["logbook", "list", "--logbook", str(path)]) == 0
    assert capsys.readouterr().err == ""


def test_a_newer_schema_is_refused_in_one_line_and_left_alone(path: Path, said: Told) -> None:
    with Logbook.open(path, steps=(*schema.STEPS, lambda connection: None)):
        pass
    before = path.read_bytes()
    for words in (("list",), ("add", "note", "x"), ("undo",), ("life",), ("export", "all", "x.json")):
        assert "was written by a newer rinsewatch" in said(*words, code=4)
    assert path.read_bytes() == before


def test_today_is_this_machines_day() -> None:
    from datetime import UTC as UTC_ZONE
    from datetime import datetime, timedelta

    assert abs(logbookopen.today() - datetime.now(UTC_ZONE).date()) <= timedelta(days=1)
