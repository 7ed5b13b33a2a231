"""Everything out and back: exact, all or nothing, and a changed export is noticed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from book import LATER, RUN, TODAY, UTC, add, records, rinsed, with_resin

from rinsewatch.errors import LogbookError, RecordingError
from rinsewatch.logbook.csvfolder import restore_folder, write_folder
from rinsewatch.logbook.dump import json_lines, read_json, restore
from rinsewatch.logbook.rinsesummary import RinseFigures, record_summary
from rinsewatch.logbook.store import Logbook


def filled(path: Path) -> None:
    """Rinses, one of them unfinished, records with a history, a deleted one, last answers."""
    with with_resin(path) as book:
        rinsed(book)
        book.begin_rinse({"resin_ml": 1, "endpoint": "µ"}, 'other, "one"', "2026-06-01T11:00:00.000Z").close()
        add(book, "run", **RUN)
        add(book, "run", **LATER)
        add(book, "run", **(LATER | {"installed": "2026-04-02", "removed": "2026-04-20", "remark": 'schön,\r\n"so"'}))
        add(book, "batch", name="b1", resin="blue", date="2026-02-01", caustic="120 g NaOH", rinses="1")
        add(book, "note", text="a note", about="blue")
        records(book).correct("run", "1", {"litres": "2500.25"}, UTC, "misread")
        records(book).delete("run", "2", UTC)
        figures = RinseFigures(
            resin_ml=500, residue="NaOH", endpoint="feed", used_ml=5000, endpoint_ml=4500, floor_us_cm=1.2
        )
        record_summary(book, 1, UTC, figures)
        book.save_answers({"feed": "9 ppm", "resin_ml": 500})


def exported(path: Path) -> str:
    with Logbook.open(path, create=False) as book:
        return "".join(json_lines(book))


def test_json_and_back_is_the_same_to_the_last_hash(path: Path, folder: Path) -> None:
    filled(path)
    (folder / "all.json").write_text(exported(path), "utf-8")
    assert restore(folder / "new.sqlite", read_json(folder / "all.json")) == 2
    assert exported(folder / "new.sqlite") == exported(path)
    with Logbook.open(path) as old, Logbook.open(folder / "new.sqlite") as new:
        assert new.seal() == old.seal()
        assert new.rinses() == old.rinses() and new.entries(1) == old.entries(1)
        assert new.ledger.changes == old.ledger.changes
        assert new.last_answers() == old.last_answers()
        assert all(found.ok for found in new.verify_all())
        writer, _ = new.continue_rinse(2)
        writer.close()
        new.ledger.undo(UTC)  # and it can be gone on with


def test_csv_folder_and_back_gives_the_same_files(path: Path, folder: Path) -> None:
    filled(path)
    with Logbook.open(path) as book:
        files = write_folder(book, folder / "csv")
        assert len(files) == 6 + 2
        with pytest.raises(RecordingError, match="is not empty"):
            write_folder(book, folder / "csv")
    assert restore_folder(folder / "new.sqlite", folder / "csv", TODAY, UTC) == (2, 6)
    with Logbook.open(folder / "new.sqlite") as new, Logbook.open(path) as old:
        write_folder(new, folder / "again")
        assert new.rows(1) == old.rows(1)
        for kind in ("resin", "run", "batch", "note", "summary"):
            assert records(new).items(kind) == records(old).items(kind)
        assert all(found.ok for found in new.verify_all())
    for file in files:
        assert (folder / "again" / file.name).read_bytes() == file.read_bytes(), file.name


def test_a_logbook_with_records_is_not_written_over(path: Path, folder: Path) -> None:
    filled(path)
    (folder / "all.json").write_text(exported(path), "utf-8")
    before = path.read_bytes()
    with pytest.raises(LogbookError, match="holds records already; bring everything back into a new one"):
        restore(path, read_json(folder / "all.json"))
    assert path.read_bytes() == before


BROKEN = [
    (lambda found: found["changes"].pop(2), "change 3 is missing"),
    (lambda found: found["changes"][0].__setitem__(7, '{"name": "red"}'), "do not fit its seal"),
    (lambda found: found["rinses"][0]["entries"].pop(), "not whole or was changed"),
    (lambda found: found["rinses"][0]["record"].pop("uuid"), "not whole or was changed"),
    (lambda found: found.pop("seal"), "not whole or was changed"),
    (lambda found: found.__setitem__("rinsewatch_logbook", 99), "no export of a rinsewatch logbook"),
    (lambda found: found["answers"].__setitem__("feed", '"8 ppm"'), "do not fit its seal"),
]


@pytest.mark.parametrize(("hurt", "words"), BROKEN, ids=range(len(BROKEN)))
def test_a_changed_export_is_refused_and_leaves_nothing(path: Path, folder: Path, hurt: object, words: str) -> None:
    filled(path)
    found = json.loads(exported(path))
    assert callable(hurt)
    hurt(found)
    (folder / "all.json").write_text(json.dumps(found), "utf-8")
    with pytest.raises(RecordingError, match=words):
        restore(folder / "new.sqlite", read_json(folder / "all.json"))
    assert {file.name for file in folder.iterdir() if "new" in file.name} <= {"new.sqlite.lock"}


def test_files_that_are_no_export(folder: Path) -> None:
    for raw, words in (
        (b"{", "not whole"),
        (b"[1]", "no export"),
        (b"\xff", "not UTF-8"),
        (b'{"rinses": []}', "no export"),
    ):
        (folder / "x.json").write_bytes(raw)
        with pytest.raises(RecordingError, match=words):
            read_json(folder / "x.json")


def test_a_folder_with_a_bad_row_leaves_nothing(path: Path, folder: Path) -> None:
    filled(path)
    with Logbook.open(path) as book:
        write_folder(book, folder / "csv")
    runs = folder / "csv" / "runs.csv"
    runs.write_text(runs.read_text("utf-8").replace("2026-04-02", "2027-04-02"), "utf-8")
    with pytest.raises(Exception, match=r"runs\.csv, row 2: installed: 2027-04-02 lies in the future"):
        restore_folder(folder / "new.sqlite", folder / "csv", TODAY, UTC)
    assert not (folder / "new.sqlite").exists()
    (folder / "csv" / "rinse-0001.csv").unlink()
    with pytest.raises(RecordingError, match="cannot be read"):
        restore_folder(folder / "new.sqlite", folder / "csv", TODAY, UTC)
