"""Fuzz campaign: recordings (CSV), through reading, settings and now and then the whole replay."""

from __future__ import annotations

import random
import re
import zlib
from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

from rinsewatch.cli.bench_fuzz_core import Given, Tried
from rinsewatch.cli.bench_fuzz_mutate import NASTY, bent
from rinsewatch.cli.observing import observed_file
from rinsewatch.errors import UsageError
from rinsewatch.logbook.csvfile import Recording, read_recording
from rinsewatch.logbook.settings import setup_from_settings
from rinsewatch.rinse.row import Mark, Row

_HEADS = (
    ["time_s", "reading", "unit", "temperature_c", "rinse_ml", "event"], ["time_s", "reading", "unit", "rinse_ml"],
    ["rinse_ml", "note", "unit", "time_s", "reading"], ["time_s", "reading", "unit", "temperature_c", "event"],
)  # fmt: skip
_SETTINGS = (
    "resin_ml = 500", "portion_ml = 250", 'residue = "NaOH"', 'endpoint = "12 uS/cm"', 'feed = "9 ppm"',
    'top = "9990 ppm"', 'rinse_water = "0 ppm"', "tds_factor = 0.5", "# a remark", 'batch = "B 7"',
)  # fmt: skip
_FLOW = [line.replace("portion_ml = 250", "flow_ml_min = 100") for line in _SETTINGS]
_UNITS = {
    "us/cm": 0, "us": 0, "\u00b5s/cm": 0, "\u00b5s": 0, "\u03bcs/cm": 0, "\u03bcs": 0, "ppm": 0, "mg/l": 0,
    "ms/cm": 3, "ms": 3, "ppt": 3, "g/l": 3,
}  # fmt: skip  # power of ten to uS/cm or ppm
_EVENTS = ("", "", "", "portion", "undo", "pause", "resume", "note: x", "fault: link down")
_CELLS = tuple(word.decode("latin-1") for word in NASTY if len(word) < 500)
_LOOSE = re.compile(r"[0-9]+(?:\.[0-9]*)?")
_ONE_IN = 8  # recordings run through the whole estimator


def csv_cells(text: str) -> list[list[str]]:
    """RFC 4180 by hand: quotes only around whole cells; what breaks that ends the table."""
    rows: list[list[str]] = []
    row: list[str] = []
    cell, quoted, at = "", False, 0
    while at < len(text):
        char = text[at]
        if quoted:
            if char == '"' and text[at + 1 : at + 2] == '"':
                cell, at = cell + '"', at + 1
            elif char == '"':
                quoted = False
            else:
                cell += char
        elif char == '"' and not cell:
            quoted = True
        elif char == ",":
            row, cell = [*row, cell], ""
        elif char in "\r\n":
            rows, row, cell = [*rows, [*row, cell]], [], ""
        else:
            cell += char
        at += 1
    return [cells for cells in [*rows, [*row, cell]] if any(map(str.strip, cells))]


def number_in(cell: str) -> Fraction | None:
    """A number as the contract writes it (a point may stand at either end, an exponent is allowed); None: none."""
    text = cell.strip().lower()
    mantissa, mark, power = text.partition("e")
    sign = mantissa[:1] if mantissa[:1] in ("+", "-") else ""
    whole, _, rest = mantissa.removeprefix(sign).partition(".")
    exponent = power.lstrip("+-") if len(power) - len(power.lstrip("+-")) <= 1 else "x"
    digits = whole + rest
    if not (digits.isascii() and digits.isdigit()) or (mark and not (exponent.isascii() and exponent.isdigit())):
        return None
    if len(exponent) > 3:
        return None
    # Decimal takes any number of digits, int 4,300 at most.
    found: Fraction = Fraction(Decimal(digits)) / 10 ** len(rest) * Fraction(10) ** (int(power) if mark else 0)
    return -found if sign == "-" else found


class Recordings:
    """Recordings as the program writes them, bent as text and cell by cell."""

    name, weight, control = "recordings", 55, "any number in the cell"

    def __init__(self, folder: Path) -> None:
        self._path = folder / "fuzzed.csv"

    def make(self, rng: random.Random) -> Given:
        """A recording of some rows; one in ten is sound."""
        head, rows = rng.choice(_HEADS), list[list[str]]()
        settings = list(_FLOW if "rinse_ml" not in head or rng.random() < 0.2 else _SETTINGS)
        for number in range(rng.randint(1, 8)):
            rows.append([_cell(rng, column, number) for column in head])
        some = rng.random()
        if 0.1 <= some < 0.6:
            for _ in range(rng.randint(1, 2)):
                row = settings if rng.random() < 0.2 else rng.choice(rows)
                row[rng.randrange(len(row))] = rng.choice(_CELLS)
        end = rng.choice(("\r\n", "\n"))
        lines = [f"# {line}" for line in settings] + [",".join(map(_quoted, row)) for row in (head, *rows)]
        data = end.join([*lines, ""]).encode("utf-8", "surrogatepass")
        return Given("recording", bent(rng, data) if some >= 0.55 else data, some < 0.1 or None)

    def look(self, given: Given) -> Tried:
        """Read it as replay does; each row that comes out must stand in the file."""
        self._path.write_bytes(given.data)
        tried = Tried()
        cells = list(_data_cells(given.data))
        tried.fooled = any(_loose_and_wrong(row) for row in cells)
        try:
            recording = read_recording(self._path)
            for place, row in enumerate(recording.rows):
                tried.false = tried.false or _false(row, cells[place] if place < len(cells) else {})
            tried.accepted = True
            setup_from_settings(recording.settings)
            self._replay(recording, given.data)
        except UsageError as error:
            tried.refused(error)
            tried.false = tried.false or ("a sound recording was refused" if given.truth else "")
        return tried

    def _replay(self, recording: Recording, data: bytes) -> None:
        """One in some, since it costs a hundred times more."""
        if zlib.crc32(data) % _ONE_IN == 0 and recording.columns:
            for _ in observed_file(self._path, {}, lambda words: None):
                continue

    def close(self) -> None:
        """Remove the file."""
        self._path.unlink(missing_ok=True)


def _cell(rng: random.Random, column: str, number: int) -> str:
    if column == "time_s":
        return str(60 * number)
    if column == "reading":
        return rng.choice((f"{rng.random() * 900:.1f}", f"{rng.random() * 50:.2f}", "0", "over", "under", "1.2E+2"))
    if column == "rinse_ml":
        return str(250 * number)
    some = {"unit": ("ppm", "uS/cm", "mS/cm", "\u00b5S/cm"), "temperature_c": ("", "24.5"), "event": _EVENTS}
    return rng.choice(some.get(column, ("", "x, y", 'say "so"')))


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if any(char in cell for char in '",\r\n') else cell


def _data_cells(data: bytes) -> Iterator[dict[str, str]]:
    """The data rows by column, as far as the file can be read at all."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return
    while text.startswith("#"):
        ends = [at for at in (text.find("\r"), text.find("\n")) if at >= 0]
        text = text[min(ends) + 1 :].removeprefix("\n" if text[min(ends)] == "\r" else "") if ends else ""
    rows = csv_cells(text)
    if rows:
        head = [cell.strip() for cell in rows[0]]
        yield from (dict(zip(head, row, strict=False)) for row in rows[1:])


def _false(row: Row, cells: dict[str, str]) -> str:
    """What a row holds that its cells do not say."""
    unit = cells.get("unit", "").strip().lower()
    reading = number_in(cells.get("reading", ""))
    if row.mark is Mark.VALUE and (reading is None or unit not in _UNITS):
        return f"{row} from {cells}"
    if row.mark is Mark.VALUE and reading is not None and row.reading != float(reading * 10 ** _UNITS[unit]):
        return f"reading {row.reading} from {cells}"
    for name, value in (("time_s", row.time_s), ("rinse_ml", row.rinse_ml), ("temperature_c", row.temperature_c)):
        number = number_in(cells.get(name, ""))
        if value is not None and (number is None or float(number) != value):
            return f"{name} {value} from {cells}"
    return ""


def _loose_and_wrong(cells: dict[str, str]) -> bool:
    """The control would read something the cell does not say."""
    text = cells.get("reading", "")
    match, number = _LOOSE.search(text), number_in(text)
    return match is not None and (number is None or float(match[0]) != number)
