"""README and DEVELOPERS say what the program does: commands, options, keys, codes, names, links."""

from __future__ import annotations

import itertools
import re
import shlex
import stat
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from rinsewatch.cli.main import COMMANDS, INTERRUPTED, cli

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
TEMPLATE = ROOT / "drivers/rinsewatch_drivers/profiles/_template.toml"
DEMO_COMMAND = "python3 -m venv .venv && .venv/bin/pip install -q -e . && .venv/bin/rinsewatch demo"
TEST_COMMAND = "python3 -m venv .venv && .venv/bin/pip install -q -e '.[test]' && .venv/bin/python -m pytest -n auto"
# Options in the documents that belong to other programs.
FOREIGN_OPTIONS = {"--extra"}
_FENCE = re.compile(r"^(?P<indent> *)```(?P<kind>\w*)\n(?P<body>.*?)^(?P=indent)```$", re.MULTILINE | re.DOTALL)


def fences(text: str, kind: str) -> list[str]:
    """Bodies of the fenced blocks of a kind, their indent removed."""
    found = [m for m in _FENCE.finditer(text) if m["kind"] == kind]
    return [re.sub(rf"^{m['indent']}", "", m["body"], flags=re.MULTILINE) for m in found]


def section(text: str, title: str) -> str:
    """What stands below a heading, up to the next one of its rank or higher; fenced blocks belong to it."""
    level, lines, inside, fenced = title.index(" "), [], False, False
    for line in text.splitlines():
        fenced ^= line.lstrip().startswith("```")
        if not fenced and re.match(rf"#{{1,{level}}} ", line):
            inside = line == title
        elif inside:
            lines.append(line)
    assert lines, f"no section {title!r}"
    return "\n".join(lines)


def _written() -> Iterator[str]:
    """Every rinsewatch command line of the documents and of the template, as one line."""
    for text in (README, DEVELOPERS):
        for body in fences(text, "sh"):
            yield from body.replace("\\\n", " ").splitlines()
        prose = _FENCE.sub("", text)
        yield from (code.replace("\n", " ") for code in re.findall(r"(?<!`)`([^`]+)`(?!`)", prose))


def _command_lines(lines: Iterator[str]) -> list[list[str]]:
    """Arguments of each ``rinsewatch`` in pipes and lists, redirections left out."""
    found = []
    for line in lines:
        if "rinsewatch " not in line:
            continue
        for part in re.split(r"\||&&|;", line.split(" > ")[0]):
            words = shlex.split(part, comments=True)
            if words and words[0] in ("rinsewatch", ".venv/bin/rinsewatch"):
                found.append(words[1:])
    return found


def parse(arguments: list[str]) -> None:
    """Parse without running; raises click.UsageError where the program would refuse."""
    group, context = cli, click.Context(cli, info_name="rinsewatch")
    assert isinstance(group, click.Group)
    command: click.Command = group
    while isinstance(command, click.Group) and arguments and not arguments[0].startswith("-"):
        name, arguments = arguments[0], arguments[1:]
        found = command.get_command(context, name)
        if found is None:
            raise click.UsageError(f"no command {name}")
        command = found
    if arguments and arguments not in (["--help"], ["--version"]):  # a bare command's name is a mention
        command.make_context(command.name, list(arguments), parent=context)


LINES = _command_lines(_written())


@pytest.mark.parametrize("arguments", LINES, ids=lambda words: " ".join(words)[:60])
def test_every_command_line_in_the_documents_parses(arguments: list[str]) -> None:
    parse(arguments)


def test_command_lines_were_found_and_wrong_ones_are_refused() -> None:
    assert len(LINES) > 25
    assert {words[0] for words in LINES} >= set(COMMANDS)
    for wrong in (["watch", "--no-such"], ["plans"], ["logbook", "show", "twelve"], ["demo", "--speed", "0"]):
        with pytest.raises(click.UsageError):
            parse(wrong)


def test_described_rinses_of_the_documents_can_be_begun() -> None:
    from rinsewatch.cli.options import SETTINGS, given_settings
    from rinsewatch.logbook.settings import missing_settings, setup_from_settings

    begun = 0
    for words in LINES:
        given = {w.removeprefix("--").replace("-", "_"): v for w, v in itertools.pairwise(words)}
        settings = given_settings({name: given[name] for name in SETTINGS if name in given})
        if words[0] in ("watch", "replay") and not missing_settings(settings):
            setup_from_settings(settings)
            begun += 1
    assert begun >= 3


# ---- options, commands, keys, codes -----------------------------------------------------------------


def _commands(command: click.Command, path: str) -> Iterator[tuple[str, click.Command]]:
    yield path, command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            yield from _commands(inner, f"{path} {name}".strip())


ALL_COMMANDS = dict(_commands(cli, ""))


def _options(command: click.Command) -> set[str]:
    parameters = [p for p in command.params if isinstance(p, click.Option)]
    return {option for p in parameters for option in p.opts if option.startswith("--")}


@pytest.mark.parametrize("path", [path for path in ALL_COMMANDS if path])
def test_every_option_of_a_command_is_in_its_section(path: str) -> None:
    words = section(README, f"### rinsewatch {path.split()[0]}")
    if path == "replay":  # shares the table of the options that describe a rinse
        words += section(README, "### rinsewatch watch")
    missing = {o for o in _options(ALL_COMMANDS[path]) if not re.search(rf"`{o}\b|\s{o}\b", words)}
    assert missing == set()


def test_the_benchmarks_options_are_in_developers() -> None:
    from rinsewatch.cli.benchmark import main

    assert {o for o in _options(main) if o not in DEVELOPERS} == set()


def test_no_document_names_an_option_that_is_none() -> None:
    from rinsewatch.cli.benchmark import main

    known = {option for command in (*ALL_COMMANDS.values(), main) for option in _options(command)}
    known |= FOREIGN_OPTIONS | {"--help", "--version", "--strict"}
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", _FENCE.sub("", README + DEVELOPERS)))
    assert named - known == set()


def test_defaults_in_the_document_are_the_defaults() -> None:
    defaults = {
        p.name: p.default for path in ("watch", "demo") for p in ALL_COMMANDS[path].params if p.default is not None
    }
    assert f"lost for good (default {defaults['give_up_s']:g})" in README
    assert f"times faster (default {defaults['speed']:g})" in README


def test_the_two_commands_stand_alone_in_their_fences() -> None:
    assert [body.strip() for body in fences(section(README, "## Two commands"), "sh")] == [DEMO_COMMAND, TEST_COMMAND]
    assert README.index("## Two commands") < 1500, "right after the opening paragraph"


def test_ci_runs_exactly_the_readmes_test_command() -> None:
    script = ROOT / ".ci/run"
    text = script.read_text("utf-8")
    assert re.search(rf"^\s*{re.escape(TEST_COMMAND)}$", text, re.MULTILINE)
    assert "set -euo pipefail" in text
    assert script.stat().st_mode & stat.S_IXUSR
    for check in ("ruff check", "bin/mypy", "lint-imports", "pip wheel"):
        assert check in text


def _table(text: str) -> dict[str, str]:
    """First cell to whole row of the tables in a piece of the document."""
    rows = [line for line in text.splitlines() if line.lstrip().startswith("|")]
    return {row.split("|")[1].strip(): row for row in rows if not set(row) <= set("|- ")}


def test_keys_are_those_of_the_screen() -> None:
    from rinsewatch.screen.keys import KEY_LIST

    listed = [cell.strip("`") for cell in _table(section(README, "### Keys")) if cell != "key"]
    assert sorted(listed) == sorted(key for key, _ in KEY_LIST)


def test_lines_on_stdin_are_those_of_the_parser() -> None:
    from rinsewatch.cli.lines import parse_line
    from rinsewatch_drivers.clock import SystemClock

    paragraph = section(README, "### rinsewatch watch").partition("a line on stdin is a command:")[2].partition("`q`")
    lines = [*re.findall(r"`([^`]+)`", paragraph[0]), "q"]
    assert len(lines) >= 12
    for line in lines:
        assert parse_line(line, SystemClock()) is not None


def test_verdicts_and_exit_codes_are_the_programs() -> None:
    from rinsewatch import errors
    from rinsewatch.cli import watchrun
    from rinsewatch.rinse.state import Verdict

    verdicts = [cell.strip("`") for cell in _table(section(README, "### The four verdicts")) if cell != "verdict"]
    assert verdicts == [verdict.value for verdict in Verdict]
    kinds = [k for k in vars(errors).values() if isinstance(k, type) and issubclass(k, errors.RinsewatchError)]
    promised = {kind.exit_code for kind in kinds} | {watchrun.NOT_REACHED, watchrun.METER_GONE, watchrun.NOT_SAVED}
    codes = {int(cell) for cell in _table(section(README, "## Exit codes")) if cell != "code"}
    assert codes == promised | {0, INTERRUPTED}


def test_what_counts_as_a_false_stop_is_said() -> None:
    from rinsewatch.rinse import verdict

    assert f"{verdict.WRONG:g} times the target" in section(README, "### The four verdicts")
    named = re.findall(r"`([A-Z_]+)`", section(DEVELOPERS, "## How the estimator works"))
    assert named and all(hasattr(verdict, name) for name in named)


# ---- profiles and recordings ------------------------------------------------------------------------


def test_shipped_profiles_are_named() -> None:
    from rinsewatch_drivers.profile import builtin_profiles

    assert all(f"`{name}`" in section(README, "## Describe a meter") for name in builtin_profiles())


def test_every_field_of_a_profile_is_named() -> None:
    import msgspec

    from rinsewatch_drivers import profile

    structs = [s for s in vars(profile).values() if isinstance(s, type) and issubclass(s, msgspec.Struct)]
    words = section(README, "## Describe a meter") + TEMPLATE.read_text("utf-8")
    names = {field for s in structs for field in s.__struct_fields__}
    assert len(names) > 30
    assert {name for name in names if not re.search(rf"\b{name}\b", words)} == set()


def test_columns_of_the_recording_are_explained() -> None:
    from rinsewatch.logbook.csvfile import COLUMNS

    words = section(README, "## The recording (CSV)")
    assert all(f"`{column}`" in words for column in COLUMNS)
    assert ",".join(COLUMNS) in words


# ---- links ------------------------------------------------------------------------------------------


def _anchor(heading: str) -> str:
    return re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_links_lead_somewhere(name: str) -> None:
    text = (ROOT / name).read_text("utf-8")
    prose = _FENCE.sub("", text)
    anchors = {_anchor(h) for h in re.findall(r"^#+ (.+)$", prose, re.MULTILINE)}
    for target in re.findall(r"\]\(([^)\s]+)\)", prose):
        path, _, anchor = target.partition("#")
        assert not path.startswith("http"), "documents stand on their own"
        assert not path or (ROOT / path).exists(), target
        assert not anchor or path or anchor in anchors, target


def test_files_named_in_developers_exist() -> None:
    named = re.findall(r"`([\w./-]+/[\w./-]+\.(?:py|toml|md))`", DEVELOPERS)
    assert len(named) > 10
    assert [path for path in named if "NAME" not in path and not (ROOT / path).exists()] == []
