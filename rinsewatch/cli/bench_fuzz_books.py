"""Fuzz campaign: logbook files damaged in their bytes and in their rows, and exports of a whole logbook."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import Any

from rinsewatch.cli.bench_fault_book import UTC
from rinsewatch.cli.bench_fuzz_core import Given, Tried
from rinsewatch.cli.bench_fuzz_mutate import bent
from rinsewatch.errors import LogbookError, UsageError
from rinsewatch.logbook import schema
from rinsewatch.logbook.csvfile import read_recording
from rinsewatch.logbook.dump import json_lines, read_json, restore
from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.kinds import KINDS
from rinsewatch.logbook.records import New, Records
from rinsewatch.logbook.store import Logbook
from rinsewatch.logbook.trouble import FAILURES
from rinsewatch.rinse.row import Mark, Row

_TABLES = ("rinse", "entry", "closing", "head", "answer", "change", "change_head", "answer_head")
_ROWS = 8


def make_book(path: Path) -> None:
    """Two rinses with readings, an event, a raw line, one closed; answers, a resin, a corrected note."""
    with Logbook.open(path) as book:
        book.save_answers({"feed": "9 ppm", "residue": "NaOH"})
        for number in (1, 2):
            with book.begin_rinse({"resin_ml": 500}, f"B{number}", UTC, uuid=f"uuid-{number}") as writer:
                writer.append_many([_entry(place) for place in range(_ROWS)])
                if number == 1:
                    writer.close_rinse("finished", "stop", utc=UTC)
        records = Records(book, date(2026, 6, 30))
        resin = New("resin", {"name": "blue", "volume_ml": "500", "kind": "mixed bed"})
        records.add([resin, New("note", {"text": "first"})], UTC)
        records.correct("note", "1", {"text": "second"}, UTC)


def _entry(place: int) -> Entry:
    if place == 3:
        return Entry(row=Row(3.0, 250.0, Mark.NONE, None, "", None, None, "note: so"), utc=UTC)
    row = Row(float(place), 250.0, Mark.VALUE, 412.5 - place, "ppm", 1, 24.5, "")
    return Entry(row=row, utc=UTC, monotonic_s=7.5, boottime_s=None, raw=b"%d ppm\r\n" % place, observed=place != 5)


def _content(path: Path) -> list[Any] | None:
    """Every cell with its type; None where it cannot be read."""
    try:
        with closing(schema.connect(path, write=False)) as connection:
            connection.text_factory = bytes
            rows = [connection.execute(f"SELECT * FROM {table}").fetchall() for table in _TABLES]  # noqa: S608 - own names
    except FAILURES:
        return None
    return [[[(type(cell), cell) for cell in row] for row in found] for found in rows]


class Books:
    """Damage to bytes (flipped, set, moved, cut off, zeroed) and to rows (cells, whole rows, hashes of their own)."""

    name, weight, control = "logbooks", 15, "SQLite's integrity_check alone"

    def __init__(self, folder: Path) -> None:
        self._sound_path, self._path, self._csv = (folder / name for name in ("sound.sqlite", "hurt.sqlite", "out.csv"))
        make_book(self._sound_path)
        self._sound, self._before = self._sound_path.read_bytes(), _content(self._sound_path)
        with Logbook.open(self._sound_path) as book:
            self._rows = {number: book.rows(number) for number in (1, 2)}
            self._items = {kind: book.ledger.items(kind) for kind in KINDS}

    def make(self, rng: random.Random) -> Given:
        """What is to be done to the sound file, as JSON."""
        if rng.random() < 0.02:
            return Given("untouched", b"[]", True)
        if rng.random() < 0.45:
            return Given("rows", json.dumps([_row_damage(rng) for _ in range(rng.randint(1, 2))]).encode())
        return Given(
            "bytes", json.dumps([_byte_damage(rng, len(self._sound)) for _ in range(rng.randint(1, 3))]).encode()
        )

    def look(self, given: Given) -> Tried:
        """Open, verify, list, export what is good; any change of a cell must be noticed."""
        self._damage(given)
        after = _content(self._path)
        changed, before = after != self._before, self._path.read_bytes()
        tried = Tried(fooled=changed and self._integrity_ok())
        noticed = self._noticed(tried)
        tried.accepted = not noticed
        if changed and not noticed:
            tried.false = f"a change was not noticed: {_first_change(self._before, after)}"
        elif given.truth and noticed:
            tried.false = "a sound logbook was called damaged"
        self._read_all(tried)
        if self._path.read_bytes() != before:
            tried.false = tried.false or "the file was changed by looking at it"
        return tried

    def close(self) -> None:
        """Nothing is open."""

    def _damage(self, given: Given) -> None:
        image = bytearray(self._sound)
        if given.what == "bytes":
            for way, place, size, value in json.loads(given.data):
                _hurt(image, way, place, size, bytes.fromhex(value))
        self._path.write_bytes(bytes(image))
        if given.what == "rows":
            with closing(schema.connect(self._path, write=True)) as connection:
                for table, way, place, column, value in json.loads(given.data):
                    _hurt_row(connection, table, way, (place, column), value)

    def _integrity_ok(self) -> bool:
        try:
            with closing(schema.connect(self._path, write=False)) as connection:
                return bool(connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok")
        except FAILURES:
            return False

    def _noticed(self, tried: Tried) -> bool:
        try:
            with Logbook.open(self._path, create=False) as book:
                return not all(found.ok for found in book.verify_all())
        except LogbookError as error:
            tried.refused(error)
            return True

    def _read_all(self, tried: Tried) -> None:
        """What a person does with a damaged logbook; what comes out must be rows that were stored."""
        try:
            with Logbook.open(self._path, create=False) as book:
                for number in (1, 2):
                    tried.false = tried.false or self._good_rows(book, number, tried)
                for kind in KINDS:
                    if book.ledger.items(kind) != self._items[kind]:
                        tried.false = tried.false or f"{KINDS[kind].many} are not those stored"
                book.rinses()
                book.last_answers()
                list(json_lines(book))
        except LogbookError as error:
            tried.refused(error)

    def _good_rows(self, book: Logbook, number: int, tried: Tried) -> str:
        try:
            count = book.export(number, self._csv, good_only=True, overwrite=True)
        except LogbookError as error:
            tried.refused(error)
            return ""
        recording = read_recording(self._csv, {"flow_ml_min": 1})
        if list(recording.rows) != self._rows[number][:count]:
            return f"rinse {number}: exported rows are not those stored"
        if recording.settings not in ({}, {"resin_ml": 500, "batch": f"B{number}"}):
            return f"rinse {number}: exported settings are not those stored: {recording.settings}"
        return ""


def _byte_damage(rng: random.Random, size: int) -> list[Any]:
    way = rng.choice(("flip", "flip", "flip", "set", "set", "fill", "move", "cut", "longer", "head"))
    place = rng.randrange(100) if way == "head" else rng.randrange(size)
    return [way, place, rng.choice((1, 2, 16, 512, 4096)), rng.randbytes(rng.choice((1, 1, 4, 16))).hex()]


def _hurt(image: bytearray, way: str, place: int, size: int, value: bytes) -> None:
    place = min(place, max(0, len(image) - 1))
    if way == "flip" and image:
        image[place] ^= 1 << value[0] % 8
    elif way in ("set", "head"):
        image[place : place + len(value)] = value
    elif way == "fill":
        image[place : place + size] = bytes([value[0] % 2 * 255]) * len(image[place : place + size])
    elif way == "move":
        other = int.from_bytes(value, "big") % max(1, len(image))
        image[place : place + size] = image[other : other + len(image[place : place + size])]
    elif way == "cut":
        del image[place:]
    elif way == "longer":
        image += value * size


def _row_damage(rng: random.Random) -> list[Any]:
    """Table, what to do, which row and column (by count), and a value."""
    way = rng.choice(("cell", "cell", "cell", "cell", "delete", "double", "renumber"))
    value = rng.choice((None, 0, 1, -1, 7.25, "", "x", "ppm", 2**40, "{}", "note: x", "\u00e9"))
    return [rng.choice(_TABLES), way, rng.randrange(20), rng.randrange(20), value]


def _hurt_row(connection: Any, table: str, way: str, at: tuple[int, int], value: object) -> None:
    """Past the triggers, as another program with the file open would; a damage that cannot be stored is none."""
    triggers = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
    keys = [row[1] for row in connection.execute(f"PRAGMA table_info({table})") if row[5]]
    rows = connection.execute(f"SELECT {', '.join(keys)} FROM {table}").fetchall()  # noqa: S608 - own names
    if not rows:
        return
    row, column = rows[at[0] % len(rows)], columns[at[1] % len(columns)]
    where = " AND ".join(f"{key} = ?" for key in keys)
    rest = ", ".join(columns[1:])
    statement = {
        "cell": f"UPDATE {table} SET {column} = ? WHERE {where}",  # noqa: S608
        "delete": f"DELETE FROM {table} WHERE ? IS NOT 'never' AND {where}",  # noqa: S608
        "double": f"INSERT INTO {table} SELECT {columns[0]} + 1 + (? IS 'never'), {rest} FROM {table} WHERE {where}",  # noqa: S608
        "renumber": f"UPDATE {table} SET {keys[-1]} = {keys[-1]} + 100 WHERE ? IS NOT 'never' AND {where}",  # noqa: S608
    }[way]
    connection.execute("PRAGMA foreign_keys = OFF")
    connection.execute("PRAGMA synchronous = OFF")
    for name, _ in triggers:
        connection.execute(f"DROP TRIGGER {name}")
    try:
        connection.execute(statement, (value, *row))
    except FAILURES:
        connection.execute("SELECT 1")
    for _, sql in triggers:
        connection.execute(sql)


def _first_change(before: list[Any] | None, after: list[Any] | None) -> str:
    if before is None or after is None:
        return "it cannot be read"
    for table, old, new in zip(_TABLES, before, after, strict=True):
        if old != new:
            return f"{table}: {[row for row in new if row not in old][:2]} for {[r for r in old if r not in new][:2]}"
    return "none"


class Exports:
    """The JSON export of a whole logbook, bent as text and value by value, brought back into a new logbook."""

    name, weight, control = "exports", 5, "bring it back without its seal"

    def __init__(self, folder: Path) -> None:
        self._path, self._book = folder / "export.json", folder / "restored.sqlite"
        sound = folder / "exported.sqlite"
        make_book(sound)
        with Logbook.open(sound) as book:
            self._text = "".join(json_lines(book))

    def make(self, rng: random.Random) -> Given:
        """One in twenty is sound."""
        some = rng.random()
        if some < 0.05:
            return Given("sound", self._text.encode(), True)
        if some < 0.6:
            return Given("bent", bent(rng, self._text.encode(), most=2))
        whole = json.loads(self._text)
        places = list(_places(whole))
        for _ in range(rng.randint(1, 2)):
            holder, key = rng.choice(places)
            values: tuple[Any, ...] = (None, 0, -1, 1.5, "", "x", [], {}, True, "9" * 30, 2**70, [1], rng.random())
            holder[key] = rng.choice(values)
        return Given("values", json.dumps(whole).encode())

    def look(self, given: Given) -> Tried:
        """Brought back it must be the logbook that was exported, or be refused."""
        self._path.write_bytes(given.data)
        tried = Tried(fooled=self._differs(given.data))
        try:
            restore(self._book, read_json(self._path))
            tried.accepted = True
            tried.false = self._not_the_same(given)
        except (UsageError, LogbookError) as error:
            tried.refused(error)
            tried.false = "a sound export was refused" if given.truth else ""
        for left in (self._book, self._book.with_name(self._book.name + ".lock")):
            left.unlink(missing_ok=True)
        return tried

    def close(self) -> None:
        """Nothing is open."""

    def _not_the_same(self, given: Given) -> str:
        with Logbook.open(self._book, create=False) as book:
            text, bad = "".join(json_lines(book)), [found for found in book.verify_all() if not found.ok]
        if bad:
            return f"what was brought back is damaged: {bad[0].reason}"
        # an export without a seal is taken as it is
        sealed = bool(json.loads(given.data).get("seal"))
        return "what was brought back is not what was exported" if sealed and text != self._text else ""

    def _differs(self, data: bytes) -> bool:
        try:
            found = json.loads(data)
        except (ValueError, RecursionError):
            return False
        return bool(found != json.loads(self._text))


def _places(node: Any) -> Iterator[tuple[Any, Any]]:
    """Every place of a value in nested lists and dictionaries."""
    for key, value in node.items() if isinstance(node, dict) else enumerate(node):
        yield node, key
        if isinstance(value, dict | list):
            yield from _places(value)
