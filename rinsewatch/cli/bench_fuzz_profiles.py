"""Fuzz campaign: meter profiles with wrong, missing, misspelt and mangled fields; those accepted must not misread."""

from __future__ import annotations

import copy
import random
import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

from rinsewatch.cli.bench_fuzz_core import Caught, Given, Tried
from rinsewatch.cli.bench_fuzz_mutate import NASTY, bent
from rinsewatch_drivers.errors import ProfileError
from rinsewatch_drivers.modbus_source import judge_registers
from rinsewatch_drivers.profile import Profile, load_profile
from rinsewatch_drivers.reading import Kind, Parsed
from rinsewatch_drivers.sources import framer_of
from rinsewatch_drivers.text import parse_line

_PROBES = (
    b"412.3 uS/cm 24.8 C", b"EC=412.3 uS/cm T=24.8", b"17,412.3,uS/cm,24.8", b'{"value": 412.3, "unit": "uS/cm"}',
    b"COND 412.3 uS T 24.8", b"1" * 256, b"1 " * 128, b"a" * 255 + b"!", b"OL", b"-3,5;OK", b"\xff\x00\x1b[2J7", b"(((",
)  # fmt: skip
_PATTERNS = (
    "(?P<value>.*)", "(?P<value>[0-9]+)*", "(?P<value>(?:[0-9]+)+)x", "(?P<value>a|b|ab)(?P<unit>c+)+", "(?P<value>",
    "(?P<value>[0-9.]+)(?P=value)", "(?=1)(?P<value>1)", "(?P<value>[^ ]+) *(?P<unit>[^ ]+)", "(?P<value>\\d+)\\Z$",
    "(?P<value>[0-9]{1,99999})", "(?P<value>1)(?P<other>2)", "(?i)(?P<value>[a-z]+)", "(?P<value>[0-9]+)|",
    "(?P<value>[0-9 ]+)[ 0-9]*[ 0-9]*[ 0-9]*!", "(?a:(?P<value>[0-9]+))", "(?P<value>(?>[0-9]+))",
    "^(?P<value>1)", "x*+(?P<value>[0-9]+)", "(?P<value>[[0-9]+)", "(?P<value>[0-9 ]*)[0-9 ]*[0-9 ]*[0-9 ]*[0-9 ]*x",
)  # fmt: skip
_VALUES: tuple[Any, ...] = (
    0, -1, 1, 2**31, 2**70, 0.5, -0.5, 1e308, 1e-308, "nan", "inf", "", "x", "\x00", "uS/cm", "R\r", "\u00b5",
    "a" * 600, True, False, [], [1], ["a", "a"], ["", "\n"], ["\r", "\r\n"], [[]], {}, {"a": 1}, ["value"],
    ["value", "unit", "unit"],
)  # fmt: skip


def toml_text(table: dict[str, Any], path: str = "") -> str:
    """A table as TOML, values first, then the tables in it."""
    lines = [f"{_key(name)} = {_value(value)}" for name, value in table.items() if not isinstance(value, dict)]
    for name, value in table.items():
        if isinstance(value, dict):
            where = f"{path}.{_key(name)}" if path else _key(name)
            lines += [f"[{where}]", toml_text(value, where)]
    return "\n".join(lines)


def _key(name: str) -> str:
    return name if name.replace("_", "").isalnum() and name.isascii() else _value(name)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(name)} = {_value(inner)}" for name, inner in value.items()) + "}"
    if isinstance(value, str):
        return value if value in ("nan", "inf") else '"' + "".join(map(_escaped, value)) + '"'
    return repr(value)


def _escaped(char: str) -> str:
    return "\\" + char if char in '"\\' else char if char.isprintable() else f"\\U{ord(char):08x}"


class Profiles:
    """The shipped profiles and the template, bent as text or field by field."""

    name, weight, control = "profiles", 80, "take the fields as they come"

    def __init__(self, folder: Path) -> None:
        self._path = folder / "fuzzed.toml"
        inside = resources.files("rinsewatch_drivers") / "profiles"
        self._texts = sorted(file.read_text("utf-8") for file in inside.iterdir() if file.name.endswith(".toml"))
        self._tables = [tomllib.loads(text) for text in self._texts]

    def make(self, rng: random.Random) -> Given:
        """A file; one in twenty is sound."""
        place, some = rng.randrange(len(self._texts)), rng.random()
        if some < 0.05:
            return Given("sound", self._texts[place].encode(), True)
        if some < 0.3:
            return Given("bent", bent(rng, self._texts[place].encode(), most=3))
        table = copy.deepcopy(self._tables[place])
        for _ in range(rng.randint(1, 3)):
            _spoil(rng, table)
        return Given("fields", toml_text(table).encode("utf-8", "surrogatepass"))

    def look(self, given: Given) -> Tried:
        """Load it as the command line does; where it is accepted, read with it."""
        self._path.write_bytes(given.data)
        tried = Tried(fooled=_breaks_naive(given.data))
        try:
            profile = load_profile(str(self._path))
        except ProfileError as error:
            tried.refused(error)
            tried.false = "a sound profile was refused" if given.truth else ""
            return tried
        tried.accepted = True
        tried.false = _reads_falsely(profile)
        return tried

    def close(self) -> None:
        """Remove the file."""
        self._path.unlink(missing_ok=True)


def _spoil(rng: random.Random, table: dict[str, Any]) -> None:
    """One field changed, removed, renamed, added, or put where it does not belong."""
    tables = [table, *(value for value in table.values() if isinstance(value, dict))]
    inner = rng.choice(tables)
    name = rng.choice(list(inner)) if inner else "name"
    way = rng.randrange(7)
    if way == 0:
        inner.pop(name, None)
    elif way == 1:
        inner[rng.choice((name + "s", name.upper(), name[:-1] or "x", "\u00b5", ""))] = inner.pop(name, 1)
    elif way == 2:
        inner["pattern" if "format" in inner else name] = rng.choice(_PATTERNS)
    elif way == 3:
        rng.choice(tables)[name] = copy.deepcopy(inner.get(name, 1))
    elif way == 4 and isinstance(inner.get(name), str):
        inner[name] = bent(rng, inner[name].encode(), NASTY[:40], 2).decode("utf-8", "replace")
    elif way == 5 and isinstance(inner.get(name), int | float):
        inner[name] = inner[name] * rng.choice((-1, 0, 2, 100, 10**6, 0.5))
    else:
        inner[name] = copy.deepcopy(rng.choice(_VALUES))


def _reads_falsely(profile: Profile) -> str:
    """What it makes of probing lines or registers: a value must stand in the line as a word of its own."""
    framer = framer_of(profile.framing)
    for probe in _PROBES:
        framer.feed(probe)
    if profile.modbus is not None:
        for raw in (0, 1, 0x7FC0, 0x8000, 0xFFFF):
            judge_registers(profile.modbus, (raw,) * (1 if profile.modbus.value.type.endswith("16") else 2), 25.0, raw)
        return ""
    for probe in _PROBES:
        parsed = parse_line(profile, probe)
        if parsed.kind is Kind.VALUE and not _stands_in(parsed, probe):
            return f"{probe!r} was read as {parsed.value}"
    return ""


def _stands_in(parsed: Parsed, line: bytes) -> bool:
    numeric = "".join(chr(byte) if chr(byte) in "0123456789.,+-eE" else " " for byte in line)
    digits = "".join(filter(str.isdigit, f"{parsed.value:.{parsed.decimals or 0}f}")).lstrip("0")
    return any(digits in "".join(filter(str.isdigit, word)) for word in numeric.split())


def _breaks_naive(data: bytes) -> bool:
    """The control: no checks, the fields are used as they come."""
    with Caught() as caught:
        table = tomllib.loads(data.decode())
        float(table["serial"]["baud"] + 0) and table["text" if table["kind"] == "text" else "modbus"].items()
    return caught.error is not None
