"""A wrong profile is refused with file, field and fault; the template and the shipped ones are right."""

from __future__ import annotations

from pathlib import Path
from typing import Literal, get_args, get_origin, get_type_hints

import pytest

import rinsewatch_drivers
from rinsewatch_drivers.errors import ProfileError
from rinsewatch_drivers.profile import (
    Modbus,
    Profile,
    Register,
    SerialSettings,
    Text,
    builtin_profiles,
    load_profile,
    parse_profile,
)
from rinsewatch_drivers.profile_words import CHOICES
from rinsewatch_drivers.text import parse_line

FOLDER = Path(rinsewatch_drivers.__file__).parent / "profiles"
HEAD = 'name = "mine"\nkind = "text"\n'
PATTERN = HEAD + '[text]\nformat = "pattern"\nunit = "ppm"\npattern = '
CSV = HEAD + '[text]\nformat = "csv"\n'
MODBUS = 'name = "mine"\nkind = "modbus-rtu"\n[modbus]\naddress = 1\nfunction = 3\nunit = "uS/cm"\n'
VALUE = '[modbus.value]\nregister = 0\ntype = "uint16"\n'

WRONG = [
    ('name = "mine"\nkind = "text"\n', "text", "needs the table"),
    (HEAD + "[serial]\nbaud = '9600'\n[text]\nformat='json'\n", "serial.baud", "a whole number is wanted here"),
    (HEAD + "[serial]\nbuad = 9600\n[text]\nformat='json'\n", "serial", "no field buad here; did you mean baud?"),
    (HEAD + '[text]\nformat = "xml"\n', "text.format", "xml"),
    (HEAD + '[framing]\nends = []\n[text]\nformat="csv"\ncolumns=["value"]\nunit="ppm"\n',
     "framing.ends", "at least"),
    (HEAD + '[framing]\nends = ["a", "ab"]\n[text]\nformat="csv"\ncolumns=["value"]\nunit="ppm"\n',
     "framing.ends",
     "ambiguous"),
    (HEAD + '[framing]\nmax_bytes = 1000\n[text]\nformat="csv"\n', "framing.max_bytes", "256"),
    (PATTERN + "'(?P<value>[0-9'", "text.pattern", "no regular expression"),
    (PATTERN + "'[0-9]+ ppm'", "text.pattern", "no group named value"),
    (PATTERN + "'(?P<value>[0-9]+) (?P<untit>ppm)'", "text.pattern", "unknown group 'untit'"),
    (PATTERN + "'.*?(?P<value>[0-9]+).*'", "text.pattern", "unbounded"),
    (PATTERN + r"'\D*(?P<value>[0-9]+)[^0-9]*'", "text.pattern", "unbounded"),
    (PATTERN + "'(?P<value>(?:[0-9]+)+)'", "text.pattern", "within a repeat"),
    (PATTERN + "'(?P<value>(?:[0-9]|[0-9]+)*)x'", "text.pattern", "within a repeat"),
    (PATTERN + "'(?P<value>[0-9]*)'", "text.pattern", "empty line"),
    (PATTERN + "'(?=a)(?P<value>[0-9]+)'", "text.pattern", "not supported"),
    (HEAD + "[text]\nformat='pattern'\npattern='(?P<value>[0-9]+)'\n", "text.pattern", "no unit"),
    (HEAD + "[text]\nformat='pattern'\n", "text.pattern", "needs it"),
    (CSV, "text.columns", "needs it"),
    (CSV + 'columns = ["unit"]\n', "text.columns", '"value" exactly once'),
    (CSV + 'columns = ["value", "unit", "unit"]\n', "text.columns", "named twice"),
    (CSV + 'columns = ["value"]\n', "text.unit", "no unit"),
    (CSV + 'columns = ["value", "unit"]\ndecimal_comma = true\n', "text.separator", "decimal mark"),
    (CSV + 'columns = ["value", "unit"]\nseparator = "."\n', "text.separator", "part of a value"),
    (CSV + 'columns = ["value", "unit"]\npattern = "x"\n', "text.pattern", "means nothing"),
    (CSV + 'columns = ["value", "unit"]\nover_words = ["X"]\nunder_words = ["X"]\n', "text.over_words",
     "two lists"),
    (CSV + 'columns = ["value", "unit"]\nover_words = ["1"]\n', "text.over_words", "also a number"),
    (CSV + 'columns = ["value", "unit"]\n[text.units]\n"uSiem" = "siemens"\n', "text.units", "siemens"),
    (HEAD + '[text]\nformat="json"\nvalue_keys=["a"]\nunit_keys=["a"]\n', "text.value_keys", "named twice"),
    (HEAD + '[text]\nformat="json"\nvalue_keys=["a"]\n', "text.unit", "no unit"),
    (CSV + 'columns = ["value", "unit"]\n[poll]\ncommand = "R"\ninterval_s = 0.1\n', "poll.timeout_s",
     "longer"),
    (CSV + 'columns = ["value", "unit"]\n[poll]\ncommand = "µ"\n', "poll.command", "ASCII"),
    (MODBUS, "modbus", "the field value is missing"),
    (MODBUS.replace("address = 1", "address = 248") + VALUE, "modbus.address", "247"),
    (MODBUS.replace("function = 3", "function = 6") + VALUE, "modbus.function", "6"),
    (MODBUS + "over_raw = [70000]\n" + VALUE, "modbus.over_raw", "does not fit"),
    (MODBUS + "over_raw = [1]\nunder_raw = [1]\n" + VALUE, "modbus.under_raw", "ambiguous"),
    (MODBUS + VALUE + '[poll]\ncommand = "R"\n', "poll", "cannot have"),
    ("name = 'UPPER'\nkind = 'text'\n", "name", "small letters, digits and hyphens"),
    (HEAD + "[serial]\nbaud = 1\n[text]\nformat='json'\n", "serial.baud", "must be at least 50"),
    (HEAD + "[serial]\nparity = 'odd'\n[text]\nformat='json'\n", "serial.parity", "'odd' is none of its words; "
     "choose N, E, O"),
    (CSV + 'columns = ["valu"]\n', "text.columns", "choose value, unit, temperature, flag, -"),
    (CSV + 'columns = "value"\n', "text.columns", "a list in [ ] is wanted here, not text in quotes"),
    (CSV + 'columns = ["value"]\nseparator = ""\n', "text.separator", "must have at least 1 characters"),
    (HEAD + 'text = "csv"\n', "text", "a table is wanted here, not text in quotes"),
    (HEAD + '[text]\nformat="json"\nvalue_keys=["a b"]\n', "text.value_keys", "letters, digits"),
    (HEAD + '[tekst]\nformat="json"\n', "top level", "there is no field tekst here; did you mean text?"),
    ("name = ", "", "no valid TOML"),
]  # fmt: skip


@pytest.mark.parametrize(("toml", "field", "fault"), WRONG)
def test_wrong_profiles_are_named(toml: str, field: str, fault: str) -> None:
    with pytest.raises(ProfileError) as caught:
        parse_profile(toml, "mine.toml")
    message = str(caught.value)
    assert message.startswith("profile mine.toml: ")
    assert caught.value.field.startswith(field)
    assert fault in message
    assert "\n" not in message


def test_shipped_profiles_load_under_their_file_names() -> None:
    names = sorted(path.stem for path in FOLDER.glob("*.toml") if not path.name.startswith("_"))
    assert sorted(builtin_profiles()) == names
    assert all(load_profile(name).description for name in names)


def test_the_template_is_a_profile_that_works() -> None:
    profile = load_profile(str(FOLDER / "_template.toml"))
    assert profile.name not in builtin_profiles()
    parsed = parse_line(profile, b"COND 412.3 uSiem T 24.8")
    assert (parsed.value, parsed.unit, parsed.temperature_c) == (412.3, "uS/cm", 24.8)


def test_the_templates_modbus_part_works_too() -> None:
    text = (FOLDER / "_template.toml").read_text("utf-8")
    tail = text[text.index("# [modbus]\n") :]
    body = "\n".join(line.removeprefix("# ") for line in tail.splitlines())
    profile = parse_profile('name = "mine"\nkind = "modbus-rtu"\n' + body, "mine.toml")
    assert profile.modbus is not None
    assert profile.modbus.value.decimals == 1


def test_users_own_folder_goes_first_and_unknown_names_are_told(tmp_path: Path) -> None:
    (tmp_path / "pen.toml").write_text(CSV + 'columns = ["value", "unit"]\n', "utf-8")
    assert load_profile("pen", [tmp_path]).name == "mine"
    with pytest.raises(ProfileError, match=r"pen: there is none of this name; known: .*plain-number"):
        load_profile("pen")
    with pytest.raises(ProfileError, match="cannot be read"):
        load_profile(str(tmp_path / "none.toml"))
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(ProfileError, match="is not UTF-8"):
        load_profile("bytes", [tmp_path])


@pytest.mark.parametrize(("toml", "field", "fault"), [each for each in WRONG if each[2] != "no valid TOML"])
def test_no_word_of_the_validator_itself_is_shown(toml: str, field: str, fault: str) -> None:
    with pytest.raises(ProfileError) as caught:
        parse_profile(toml, "mine.toml")
    for word in ("Expected", "`", "Invalid", "Object", "regex", "enum"):
        assert word not in str(caught.value)


def test_the_choices_named_are_the_types_own() -> None:
    found: dict[str, set[str]] = {}
    for table in (Profile, SerialSettings, Text, Modbus, Register):
        for name, hint in get_type_hints(table).items():
            literals = [part for part in _parts(hint) if get_origin(part) is Literal]
            if literals:
                found[name] = {str(word) for word in get_args(literals[0])}
    assert found == {name: set(words) for name, words in CHOICES.items()}


def _parts(hint: object) -> list[object]:
    return [hint, *(part for each in get_args(hint) for part in _parts(each))]
