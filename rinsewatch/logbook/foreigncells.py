"""Numbers and dates as people's tables write them, decided over whole columns; what stays open is asked."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date

from rinsewatch.errors import UsageError

POINT, COMMA = "point", "comma"
DMY, MDY, YMD = "dmy", "mdy", "ymd"
_NUMBER = re.compile(r"([+-]?[0-9][0-9.,'’\s]*)\s*(.*)", re.DOTALL)
_PARTED = re.compile(r"(\d{1,4})\s*[./-]\s*(\d{1,2})\s*[./-]\s*(\d{1,4})(?:[T\s].*)?", re.ASCII)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_NAMED = re.compile(
    r"(?:(\d{1,2})\.?[\s-]+([A-Za-z]{3,9})\.?|([A-Za-z]{3,9})\.?[\s-]+(\d{1,2}),?)[\s,-]+(\d{4})", re.ASCII
)
_SPACES = re.compile(r"[\s'’]")


def decimal_mark(cells: Iterable[str], separator: str) -> str:
    """``point`` or ``comma``, from all numbers of a table together. Error: UsageError where they leave it open."""
    numbers = [match[1].strip() for cell in cells if (match := _NUMBER.fullmatch(cell))]
    votes = {mark for number in numbers if (mark := _vote(_SPACES.sub("", number)))}
    if len(votes) > 1:
        raise UsageError("numbers with decimal points and with decimal commas are mixed; make them alike in the table")
    if votes:
        return votes.pop()
    if any("," in number for number in numbers):
        example = next(number for number in numbers if "," in number)
        raise UsageError(f"{example!r} may be {_two(example)}; say --decimal comma or --decimal point")
    if separator == ";" and any("." in number for number in numbers):
        example = next(number for number in numbers if "." in number)
        raise UsageError(f"{example!r} may be {_two(example)}; say --decimal comma or --decimal point")
    return POINT


def _two(example: str) -> str:
    whole, _, rest = example.replace(",", ".").partition(".")
    return f"{whole}.{rest} or {whole}{rest.replace('.', '')}"


def _vote(number: str) -> str:
    """What one number alone tells: '1.234,5' comma, '12.5' point, '1,250' nothing."""
    comma, point = number.rfind(","), number.rfind(".")
    if comma >= 0 and point >= 0:
        return COMMA if comma > point else POINT
    if number.count(",") > 1:
        return POINT  # commas part thousands
    if number.count(".") > 1:
        return COMMA
    tail = len(number) - 1 - max(comma, point)
    lead = number.lstrip("+-").split("," if comma >= 0 else ".")[0]
    if max(comma, point) < 0 or (tail == 3 and lead not in ("", "0") and len(lead) <= 3):
        return ""
    return COMMA if comma >= 0 else POINT


def plain_number(cell: str, mark: str) -> str:
    """The cell with its number as the logbook reads it (a point, no thousands), the unit behind it kept."""
    match = _NUMBER.fullmatch(cell.strip())
    if match is None:
        return cell
    number = _SPACES.sub("", match[1])
    thousands, decimal = (".", ",") if mark == COMMA else (",", ".")
    whole, _, rest = number.partition(decimal)
    if not re.fullmatch(r"\d*", rest, re.ASCII) or not re.fullmatch(
        rf"[+-]?\d{{1,3}}(?:\{thousands}\d{{3}})+|[+-]?\d+", whole
    ):
        raise UsageError(f"{cell!r} is no number with a decimal {mark}")
    plain = whole.replace(thousands, "") + (f".{rest}" if rest else "")
    return f"{plain} {match[2].strip()}".strip()


def date_order(cells: Iterable[str]) -> str:
    """``dmy``, ``mdy`` or ``ymd``, from all dates of a table together. Error: UsageError where they leave it open."""
    parted = [match.groups() for cell in cells if (match := _PARTED.fullmatch(cell.strip()))]
    open_ones = [(int(a), int(b), year) for a, b, year in parted if len(a) < 3]
    if not open_ones:
        return YMD
    orders = {DMY for a, _, _ in open_ones if a > 12} | {MDY for _, b, _ in open_ones if b > 12}
    if len(orders) == 1:
        return orders.pop()
    if orders:
        raise UsageError("some dates begin with the day and others with the month; make them alike in the table")
    a, b, year = next(((a, b, y) for a, b, y in open_ones if a != b), open_ones[0])
    if a == b and all(first == second for first, second, _ in open_ones):
        return DMY  # the same day either way
    raise UsageError(f"{a}/{b}/{year} may be day/month or month/day; say --date-order dmy or --date-order mdy")


def plain_date(cell: str, order: str) -> str:
    """The cell's day as year-month-day; a time behind it is left out. Error: UsageError."""
    words = cell.strip()
    named = _NAMED.fullmatch(words)
    if named:
        number, month = int(named[1] or named[4]), (named[2] or named[3])[:3].lower()
        if month in _MONTHS:
            return _day(cell, int(named[5]), _MONTHS.index(month) + 1, number)
    match = _PARTED.fullmatch(words)
    if match is None:
        raise UsageError(f"cannot read the date {words!r}; write it as year-month-day, like 2026-03-31")
    first, second, third = match.groups()
    if len(first) == 4:
        return _day(cell, int(first), int(second), int(third))
    if len(third) not in (2, 4) or order == YMD:
        raise UsageError(f"cannot read the date {words!r}; say --date-order dmy or mdy, or write year-month-day")
    year = int(third) + (2000 if len(third) == 2 else 0)
    number, month_number = (int(first), int(second)) if order == DMY else (int(second), int(first))
    return _day(cell, year, month_number, number)


def _day(cell: str, year: int, month: int, number: int) -> str:
    try:
        return date(year, month, number).isoformat()
    except ValueError as error:
        raise UsageError(f"there is no day {cell.strip()!r}") from error
