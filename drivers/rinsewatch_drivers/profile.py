"""Meter profiles: small TOML files that say how a meter's bytes are to be read. Data, never code.

Top level: ``name``, ``description``, ``kind`` = ``"text"`` or ``"modbus-rtu"``, and these tables:

[serial]   baud (9600), bytesize (8; or 7), parity ("N"; or "E", "O"), stopbits (1; or 2)
[framing]  ends: accepted line terminators (["\\r", "\\n", "\\f"]: any mix, empty lines are ignored)
           max_bytes: longest line (256, and no more)
           idle_gap_ms: for meters that end a line by silence (0: none)
[text]     format: how the whole line is taken apart; nothing in a line may be left over:
             "pattern"  pattern: a regular expression for the WHOLE line, with the named group ``value``
                        and, as needed, ``unit``, ``temperature``, ``flag``
             "pairs"    KEY=VALUE or KEY:VALUE pairs in any order, a unit may follow a value
             "csv"      separator (","), columns in order: "value", "unit", "temperature", "flag" or "-"
                        (ignored)
             "json"     one flat JSON object a line
           value_keys, unit_keys, temperature_keys, flag_keys: for pairs and json; the first found is used
           unit: the unit where the line names none
           units: spellings of your meter = canonical unit, for example {"uSiem" = "uS/cm"}; canonical are
             uS/cm, mS/cm, ppm, ppt
           over_words, under_words, error_words: what stands in place of the number; a number may follow,
             as in ">1999"
           hold_words, battery_words, ok_words: what a flag may say
           decimal_comma (false), exponent (false): allow 12,5 / 1.25e1
           period_s: seconds between lines (left out: learned)
[poll]     for meters that speak only when asked: command, interval_s, timeout_s
[modbus]   address, function (3 holding, 4 input registers), unit, interval_s, timeout_s
           over_raw, under_raw: raw values that mean over and under range
           and the tables value, temperature, status:
             value and temperature: register (from 0), type (int16, uint16, int32, uint32, float32),
               word_order ("big": high word first; or "little"), scale, decimals (left out: from the scale)
             status: register, error_mask, hold_mask, battery_mask, over_mask (bits)

Unknown fields are refused, so a slip of the pen is found at once.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

from rinsewatch_drivers.errors import ProfileError
from rinsewatch_drivers.profile_words import fault_words

Seconds = Annotated[float, Meta(gt=0, le=86_400)]
Words = tuple[Annotated[str, Meta(min_length=1, max_length=32)], ...]
Keys = tuple[Annotated[str, Meta(pattern="^[A-Za-z0-9_.-]{1,32}$")], ...]
Unit = Literal["uS/cm", "mS/cm", "ppm", "ppt"]
Mask = Annotated[int, Meta(ge=0, le=0xFFFF)]
RegisterNumber = Annotated[int, Meta(ge=0, le=0xFFFF)]


class SerialSettings(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """[serial]"""

    baud: Annotated[int, Meta(ge=50, le=4_000_000)] = 9600
    bytesize: Literal[7, 8] = 8
    parity: Literal["N", "E", "O"] = "N"
    stopbits: Literal[1, 2] = 1


class Framing(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """[framing]"""

    ends: tuple[Annotated[str, Meta(min_length=1, max_length=8)], ...] = ("\r", "\n", "\f")
    max_bytes: Annotated[int, Meta(ge=4, le=256)] = 256
    idle_gap_ms: Annotated[int, Meta(ge=0, le=10_000)] = 0

    @property
    def end_bytes(self) -> tuple[bytes, ...]:
        """The terminators as bytes (one byte per character)."""
        return tuple(end.encode("latin-1") for end in self.ends)


class Text(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """[text]"""

    format: Literal["pattern", "pairs", "csv", "json"]
    pattern: Annotated[str, Meta(max_length=500)] = ""
    value_keys: Keys = ()
    unit_keys: Keys = ()
    temperature_keys: Keys = ()
    flag_keys: Keys = ()
    separator: Annotated[str, Meta(min_length=1, max_length=1)] = ","
    columns: tuple[Literal["value", "unit", "temperature", "flag", "-"], ...] = ()
    unit: Unit | None = None
    units: dict[str, Unit] = {}
    over_words: Words = ("OL", "Ol", "over", "OVER", "Over", "OVR", "OVL", "HI", ">")
    under_words: Words = ("LO", "under", "UNDER", "Under", "UR", "<")
    error_words: Words = ("Err", "ERR", "err", "Error", "ERROR", "error", "E", "--", "---", "----", "-----")
    hold_words: Words = ("HOLD", "Hold", "hold")
    battery_words: Words = ("BAT", "BATT", "LOBAT", "LOWBAT", "battery")
    ok_words: Words = ("OK", "Ok", "ok", "ATC", "0")
    decimal_comma: bool = False
    exponent: bool = False
    period_s: Seconds | None = None


class Poll(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """[poll]"""

    command: Annotated[str, Meta(min_length=1, max_length=64)]
    interval_s: Seconds = 1.0
    timeout_s: Seconds = 0.5


class Register(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """[modbus.value], [modbus.temperature]"""

    register: RegisterNumber
    type: Literal["int16", "uint16", "int32", "uint32", "float32"]
    word_order: Literal["big", "little"] = "big"
    scale: Annotated[float, Meta(gt=0)] = 1.0
    decimals: Annotated[int, Meta(ge=0, le=9)] | None = None


class StatusRegister(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """[modbus.status]"""

    register: RegisterNumber
    error_mask: Mask = 0
    hold_mask: Mask = 0
    battery_mask: Mask = 0
    over_mask: Mask = 0


class Modbus(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """[modbus]"""

    # 1..247: the unicast addresses of the Modbus over Serial Line specification, V1.02, section 2.2
    address: Annotated[int, Meta(ge=1, le=247)]
    function: Literal[3, 4]
    unit: Unit
    value: Register
    temperature: Register | None = None
    status: StatusRegister | None = None
    over_raw: tuple[int, ...] = ()
    under_raw: tuple[int, ...] = ()
    interval_s: Seconds = 1.0
    timeout_s: Seconds = 0.5


class Profile(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A whole profile file."""

    name: Annotated[str, Meta(pattern="^[a-z0-9][a-z0-9-]{0,40}$")]
    description: Annotated[str, Meta(max_length=300)] = ""
    kind: Literal["text", "modbus-rtu"]
    serial: SerialSettings = SerialSettings()
    framing: Framing = Framing()
    text: Text | None = None
    poll: Poll | None = None
    modbus: Modbus | None = None

    @property
    def period_s(self) -> float | None:
        """Seconds between readings, where the profile knows them."""
        if self.modbus is not None:
            return self.modbus.interval_s
        if self.poll is not None:
            return self.poll.interval_s
        return self.text.period_s if self.text is not None else None

    @property
    def listens_only(self) -> bool:
        """True for a text meter that speaks unasked, in lines that end as most do."""
        return self.text is not None and self.poll is None and self.framing == Framing()


def parse_profile(toml_text: str, file: str) -> Profile:
    """Read and check a profile; ``file`` is named in errors.

    Raises ProfileError naming file, field and fault.
    """
    from rinsewatch_drivers.profile_check import check_profile

    try:
        data = tomllib.loads(toml_text)
    except tomllib.TOMLDecodeError as error:
        raise ProfileError(file, "", f"no valid TOML: {error}") from error
    except (ValueError, RecursionError) as error:
        raise ProfileError(file, "", "a number is too long, or lists lie too deep in each other") from error
    try:
        profile = msgspec.convert(data, Profile)
    except msgspec.ValidationError as error:
        raise _named(file, str(error)) from error
    check_profile(profile, file)
    return profile


def _named(file: str, message: str) -> ProfileError:
    # msgspec says "Expected `int`, got `str` - at `$.serial.baud`"
    fault, _, path = message.partition(" - at `$")
    field = path.strip("`.")
    table = _TABLES.get(field) or _TABLES.get(field.rpartition(".")[0]) or Profile
    return ProfileError(file, field or "top level", fault_words(fault, field, table.__struct_fields__))


_TABLES: dict[str, type[Struct]] = {
    "serial": SerialSettings, "framing": Framing, "text": Text, "poll": Poll, "modbus": Modbus,
    "modbus.value": Register, "modbus.temperature": Register, "modbus.status": StatusRegister,
}  # fmt: skip


def _read(path: Path) -> Profile:
    try:
        text = path.read_text("utf-8")
    except OSError as error:
        raise ProfileError(str(path), "", f"cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise ProfileError(str(path), "", "is not UTF-8 text") from error
    return parse_profile(text, str(path))


@lru_cache(maxsize=1)
def _builtin() -> dict[str, Profile]:
    folder = resources.files("rinsewatch_drivers") / "profiles"
    files = sorted((f for f in folder.iterdir() if f.name.endswith(".toml")), key=lambda f: f.name)
    wanted = [f for f in files if not f.name.startswith("_")]
    profiles = [parse_profile(f.read_text("utf-8"), f.name) for f in wanted]
    return {profile.name: profile for profile in profiles}


def builtin_profiles() -> dict[str, Profile]:
    """The profiles that ship with the tool, by name."""
    return dict(_builtin())


def load_profile(name_or_path: str, extra_dirs: Sequence[Path] = ()) -> Profile:
    """A profile by name (``extra_dirs`` first, then the built-in ones) or by the path of its file.

    Raises ProfileError if there is none or it is wrong.
    """
    if name_or_path.endswith(".toml") or "/" in name_or_path or "\\" in name_or_path:
        return _read(Path(name_or_path))
    for folder in extra_dirs:
        path = folder / f"{name_or_path}.toml"
        if path.is_file():
            return _read(path)
    found = _builtin().get(name_or_path)
    if found is None:
        raise ProfileError(name_or_path, "", f"there is none of this name; known: {', '.join(_builtin())}")
    return found
