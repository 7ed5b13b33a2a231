"""``rinsewatch logbook``: what was recorded, and what people write down beside it."""

from __future__ import annotations

from importlib import import_module

import click

# Name, module, and what the list of subcommands says.
_COMMANDS = {
    "list": ("logbook_view", "list_command"),
    "show": ("logbook_view", "show"),
    "search": ("logbook_view", "search"),
    "add": ("logbook_edit", "add"),
    "correct": ("logbook_edit", "correct"),
    "undo": ("logbook_edit", "undo"),
    "delete": ("logbook_edit", "delete"),
    "life": ("logbook_life", "life"),
    "import": ("logbook_import", "import_command"),
    "export": ("logbook_export", "export"),
    "verify": ("logbook_keep", "verify"),
    "backup": ("logbook_keep", "backup"),
    "demo-data": ("demolife", "demo_data"),
}


class _Subcommands(click.Group):
    """Imports a subcommand's module only when it is needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return the subcommand; None if there is none of this name."""
        if cmd_name not in _COMMANDS:
            return None
        module, name = _COMMANDS[cmd_name]
        command = getattr(import_module(f"rinsewatch.cli.{module}"), name)
        assert isinstance(command, click.Command)
        return command


@click.command(
    cls=_Subcommands,
    name="logbook",
    epilog="""\b
Examples:
  rinsewatch logbook list
  rinsewatch logbook show 12
  rinsewatch logbook add resin --name blue --volume-ml 1000 --kind "mixed bed" --new 2026-01-10
  rinsewatch logbook add run --resin blue --installed 2026-02-01 --removed 2026-03-01 --litres 2400 --feed "9 ppm"
  rinsewatch logbook life blue
  rinsewatch logbook export 12 rinse.csv
  rinsewatch logbook export all everything.json
  rinsewatch logbook verify""",
)
def command() -> None:
    """Rinses that were recorded, and the resins, batches, service runs and notes that belong to them.

    Nothing written is ever lost: a correction or a deletion is a further row, and 'show --history' shows them all.
    """
