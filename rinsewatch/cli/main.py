"""``rinsewatch``: finds the command, and turns every failure into one line and a promised exit code."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Sequence
from importlib import import_module
from types import TracebackType
from typing import Any

import click

from rinsewatch import __version__
from rinsewatch.errors import RinsewatchError
from rinsewatch.quantities import canonical_unit

# Name, module and what the list of commands says: ``--help`` imports none of them.
COMMANDS = {
    "watch": ("rinsewatch.cli.watch", "The live rinse: meter, forecast, dashboard, endpoint, recording."),
    "demo": ("rinsewatch.cli.demo", "A whole rinse on a simulated meter, sped up; no hardware needed."),
    "replay": ("rinsewatch.cli.replay", "Run recordings through the same code as watch."),
    "plan": ("rinsewatch.cli.plan", "Before the rinse: liquors, doses, portions, water to have ready, endpoints."),
    "meters": ("rinsewatch.cli.meters", "List serial ports; listen to one; check a meter."),
    "logbook": (
        "rinsewatch.cli.logbook",
        "Rinses, resins, batches, service runs, notes; a resin's life; export and import.",
    ),
    "report": ("rinsewatch.cli.report", "A rinse or a resin's life as a page (HTML, PDF) or picture (PNG, SVG)."),
}
ENDED_BY_SIGNAL = 128  # and the number, as shells count
INTERRUPTED = ENDED_BY_SIGNAL + 2


class ReaderGone(Exception):
    """Whoever read our output has left. No OSError: of a broken pipe click makes exit code 1."""


class LazyGroup(click.Group):
    """Imports a command's module only when that command is run."""

    def invoke(self, ctx: click.Context) -> Any:
        """As click does; a broken pipe becomes ReaderGone."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError as error:
            raise ReaderGone from error

    def list_commands(self, ctx: click.Context) -> list[str]:
        """In the order people need them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return the command; None if there is none of this name."""
        if cmd_name not in COMMANDS:
            return None
        command = import_module(COMMANDS[cmd_name][0]).command
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does, but the nearest command is named without importing any."""
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            from difflib import get_close_matches

            near = get_close_matches(args[0], COMMANDS, n=1)
            hint = f" Did you mean '{near[0]}'?" if near else ""
            raise click.UsageError(f"No such command '{args[0]}'.{hint}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands, from the table above."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, words) for name, (_, words) in COMMANDS.items()])


@click.command(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Exit codes: 0 done, 1 internal error, 2 bad usage or input, 3 no meter, 4 the logbook cannot be "
    "written, 5 ended without reaching the endpoint (with --until-endpoint), 130 interrupted.",
)
@click.version_option(__version__, message="rinsewatch %(version)s")
def cli() -> None:
    """Watches the rinse of regenerated deionizing resin: reads a conductivity or TDS meter in the
    filtrate, forecasts how much rinse water is still needed, and says when to stop.

    \b
    First time:   rinsewatch demo
    A real rinse: rinsewatch watch
    """


def run(arguments: Sequence[str]) -> int:
    """Run one command line; returns the exit code. One line on stderr says what went wrong."""
    _forgiving_streams()
    try:
        code = cli.main(args=list(arguments), prog_name="rinsewatch", standalone_mode=False)
    except (click.Abort, KeyboardInterrupt):
        return _complain("interrupted", INTERRUPTED)
    except click.UsageError as error:
        if _is_bare(error):
            click.echo(error.format_message())
            return 0
        return _complain(_usage_words(error), 2)
    except click.ClickException as error:
        return _complain(error.format_message(), error.exit_code)
    except RinsewatchError as error:
        return _complain(str(error), error.exit_code)
    except (BrokenPipeError, ReaderGone):
        return _reader_gone()
    except OSError as error:
        # was it our output that failed, no named file? Then what is in it is cut short anyway
        trouble = _flush_trouble("\n") if error.filename is None else None
        if trouble is None:
            raise
        return _output_lost(trouble, 0)
    return code if isinstance(code, int) else 0


def main() -> None:
    """The entry point."""
    _fill_closed_streams()
    sys.excepthook = report_internal_error
    code = run(sys.argv[1:])
    trouble = _flush_trouble()
    if isinstance(trouble, BrokenPipeError):
        _reader_gone()
    elif trouble is not None:
        code = _output_lost(trouble, code)
    if code > ENDED_BY_SIGNAL:
        # A terminal that is gone may have left words in both, and the screen's thread still write: Python's own last
        # flush would exit with 120.
        sys.stdout = sys.stderr = open(os.devnull, "w")  # noqa: SIM115  # open until the end
    sys.exit(code)


def report_internal_error(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
    """One line for the user, the traceback into a file for whoever mends it. Python then exits with 1."""
    from rinsewatch.cli.errorlog import write_error_log

    path = write_error_log(kind, error, trace, os.environ)
    where = f"details are in {path}" if path else "its details could not be written anywhere"
    words = " ".join(str(error).split())[:200]
    _complain(f"internal error: {kind.__name__}: {words}; the fault is rinsewatch's, {where}", 1)


def _is_bare(error: click.UsageError) -> bool:
    """True for a group without a command: click's newer versions raise the help text as an error of this name."""
    return type(error).__name__ == "NoArgsIsHelpError"


def _usage_words(error: click.UsageError) -> str:
    words = " ".join(error.format_message().split())
    command = error.ctx.command_path if error.ctx is not None else "rinsewatch"
    stray = re.search(r"unexpected extra arguments? \((\S+?)[ )]", words)
    if stray is not None and canonical_unit(stray[1]) is not None:
        return f"{stray[1]!r} stands by itself: put a number and its unit in quotes, like --feed '9 {stray[1]}'"
    return f"{words} See '{command} --help'."


def _complain(words: str, code: int) -> int:
    try:
        print(f"rinsewatch: {words}", file=sys.stderr, flush=True)
    except OSError:
        return code  # nobody listens any more; the exit code still tells
    return code


def _fill_closed_streams() -> None:
    """Started with ``>&-``: nothing else, least of all the logbook, may be opened in the place of a stream."""
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest free number, which is this one
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(number, "r" if number == 0 else "w", closefd=False))


def _forgiving_streams() -> None:
    """A mu or an odd batch name must not end the program on an ASCII terminal."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")


def _flush_trouble(more: str = "") -> OSError | None:
    try:
        if more:  # even nothing cannot be written to a full disk
            sys.stdout.write(more)
        sys.stdout.flush()
    except OSError as error:
        return error
    return None


def _output_lost(trouble: OSError, code: int) -> int:
    """A full disk behind ``>``: what was printed is incomplete, and a script must notice."""
    _reader_gone()
    words = trouble.strerror or str(trouble)
    return _complain(f"the output could not be written ({words}): what was printed is not all of it", code or 2)


def _reader_gone() -> int:
    """Whoever read our output has left, like ``| head``: nothing is wrong; keep the last flush quiet."""
    with open(os.devnull, "w") as nothing:
        os.dup2(nothing.fileno(), sys.stdout.fileno())
    return 0
