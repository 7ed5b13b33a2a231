"""What is written, to the letter: the chain recomputed by hand, and rows that say what they are."""

from __future__ import annotations

import hashlib
import sqlite3
import struct
from pathlib import Path

import pytest

from rinsewatch.logbook.chain import START, Stored, link, real, text
from rinsewatch.logbook.entry import Entry, entry_of, values_of
from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.row import Mark, Row

UTC = "2026-03-01T10:00:00Z"


def by_hand(before: bytes, values: list[Stored]) -> bytes:
    """From the description: SHA-256 over the hash before, then for each value its type, length (4 bytes) and bytes."""
    found = before
    for value in values:
        if value is None:
            tag, raw = b"N", b""
        elif isinstance(value, float):
            tag, raw = b"F", struct.pack(">d", value)
        elif isinstance(value, int):
            tag, raw = b"I", str(value).encode()
        elif isinstance(value, str):
            tag, raw = b"T", value.encode()
        else:
            tag, raw = b"B", value
        found += tag + struct.pack(">I", len(raw)) + raw
    return hashlib.sha256(found).digest()


VALUES: list[Stored] = [1, -7, 2.5, "µS/cm", b"\x00\xff", None, "", b"", 0, 0.0, 10**15]


def test_a_link_is_what_the_description_says() -> None:
    """Logbooks already written hang on it: it may not change without a new schema version."""
    assert bytes(32) == START
    assert link(START, VALUES) == by_hand(bytes(32), VALUES)
    assert link(link(START, ["a"]), ["b"]) == by_hand(by_hand(bytes(32), ["a"]), ["b"])


def test_other_types_other_lengths_other_order_are_other_links() -> None:
    alike: list[list[Stored]] = [
        [1], [1.0], ["1"], [b"1"], [None], [""], [b""], [], ["1", ""], ["", "1"], ["ab", "c"], ["a", "bc"], ["abc"],
        [0], [0.0], ["0"], [1, 2], [2, 1],
    ]  # fmt: skip
    assert len({link(START, values) for values in alike}) == len(alike)
    assert link(START, [-0.0]) == link(START, [0.0])  # SQLite gives back the one for the other


def test_numbers_and_text_as_the_file_keeps_them() -> None:
    assert (real(None), real(3), str(real(-0.0))) == (None, 3.0, "0.0")
    assert isinstance(real(3), float)
    with pytest.raises(ValueError, match="NaN"):
        real(float("nan"))
    assert text("µ\udcff") == "µ\\udcff"


FULL = Entry(
    row=Row(3.5, 250.0, Mark.VALUE, 12.5, "ppm", 1, 24.5, "note: x"), utc=UTC, monotonic_s=7.25, boottime_s=8.5,
    raw=b"12.5 ppm\r\n", shown="12.5", quality="good", cause="late", observed=False,
)  # fmt: skip


def test_an_entry_comes_back_whole() -> None:
    for entry in (FULL, Entry(row=Row(0.0, None, Mark.OVER), utc=UTC), Entry(row=Row(1.0, event="portion"), utc=UTC)):
        back = entry_of(values_of(entry, 1, 2))
        assert (back.row, back.utc, back.monotonic_s, back.boottime_s) == (
            entry.row, entry.utc, entry.monotonic_s, entry.boottime_s,
        )  # fmt: skip
        assert (back.raw, back.quality, back.cause, back.observed) == (
            entry.raw, entry.quality, entry.cause, entry.observed,
        )  # fmt: skip
    assert values_of(FULL, 4, 9)[:4] == (4, 9, "raw", 3.5)


@pytest.mark.parametrize(
    ("row", "kind"),
    [(Row(0.0, 0.0, Mark.VALUE, 1.0, "ppm"), "reading"), (Row(0.0, 0.0, Mark.UNDER), "reading"),
     (Row(0.0, event="portion"), "event")],
)  # fmt: skip
def test_a_row_says_what_it_is(row: Row, kind: str) -> None:
    assert Entry(row=row, utc=UTC).kind == kind
    assert Entry(row=row, utc=UTC, observed=False).kind == "raw"


def test_the_file_holds_exactly_the_chain_of_what_was_given(tmp_path: Path) -> None:
    """Read with nothing but SQLite, and recomputed by hand from the first rinse to the last closing."""
    path = tmp_path / "logbook.sqlite"
    with Logbook.open(path) as book:
        for batch in ("B1", "B2"):
            with book.begin_rinse({"resin_ml": 500}, batch, UTC) as writer:
                assert writer.append_many([]) == []
                assert writer.append_many([FULL, FULL]) == [1, 2]
                assert writer.append(FULL) == 3 == writer.last_seq
                for reason in ("paused", "finished", "finished"):  # the last one given twice is stored once
                    writer.close_rinse(reason, "stop", utc=UTC)
    connection = sqlite3.connect(path)
    before, heads = START, {}
    for *values, stored in connection.execute("SELECT * FROM rinse ORDER BY id").fetchall():
        before = by_hand(before, values)
        assert stored == before
        heads[values[0]] = before
    assert connection.execute("SELECT seq, hash FROM head WHERE rinse_id = 0").fetchone() == (2, before)
    for number, own in heads.items():
        last = own
        for *values, stored in connection.execute("SELECT * FROM entry WHERE rinse_id = ? ORDER BY seq", (number,)):
            last = by_hand(last, values)
            assert stored == last
        closing = START
        query = (
            "SELECT rinse_id, after_seq, ended_utc, reason, verdict, hash FROM closing WHERE rinse_id = ? ORDER BY id"
        )
        rows = connection.execute(query, (number,)).fetchall()
        assert [row[3] for row in rows] == ["paused", "finished"]
        for *values, stored in rows:
            closing = by_hand(by_hand(closing, [last]), values)
            assert stored == closing
        head = connection.execute("SELECT seq, hash, closing_hash FROM head WHERE rinse_id = ?", (number,)).fetchone()
        assert head == (3, last, closing)
    connection.close()
