"""``rinsewatch watch``: the live rinse."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rinsewatch.cli.options import given_settings, logbook_option, rinse_options

if TYPE_CHECKING:
    from rinsewatch.cli.watchplan import Wish


@click.command(
    epilog="""\b
Examples:
  rinsewatch watch                       asks what it needs, last answers as defaults
  rinsewatch watch --port /dev/ttyUSB0 --resin-ml 500 --portion-ml 250 --residue NaOH \\
      --endpoint feed --feed '9 ppm' --rinse-water '0 ppm'
  rinsewatch watch --port hand           readings typed by hand, any meter will do
  rinsewatch watch --port hand --resin blue    a resin of the logbook, its earlier rinses known
  rinsewatch watch --port socket://10.0.0.5:4001 --flow-ml-min 100 --resin-ml 500 \\
      --residue HCl --endpoint '12 uS/cm' --until-endpoint --json

\b
Without the dashboard a line on stdin is a command:
  p, p 250    portion poured (mL)        u           undo it (or the last reading typed)
  = 12.5 ppm  a reading typed by hand    n TEXT      note
  v 250       portion volume from now    pause, resume
  feed, water take this reading as feed or rinse water
  k 84 uS/cm  the meter is in a known water that should read so; by hand: k 84 uS/cm, read 81 uS/cm
  ok          the probe is in the filtrate
  y, no       answer a question          q           finish"""
)
@click.option("--port", metavar="URL", help="Device path, any pyserial URL, or 'hand' for typed readings.")
@click.option("--baud", type=click.IntRange(min=50), help="Speed of the line (default: the profile's).")
@rinse_options
@click.option("--plan", "plan_file", metavar="FILE", help="Settings from 'rinsewatch plan --save FILE'; options win.")
@click.option("--batch", default="", metavar="NAME", help="The batch (regeneration) in the logbook it belongs to.")
@click.option("--resin", metavar="NAME", help="The resin in the logbook: the forecast starts from its earlier rinses.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line for each reading.")
@click.option("--plain", is_flag=True, help="Plain lines instead of the dashboard.")
@click.option("--until-endpoint", is_flag=True, help="End by itself at the verdict stop: exit 0, else 5.")
@click.option("--continue", "go_on", is_flag=True, help="Go on with the last unfinished rinse.")
@click.option("--wait", is_flag=True, help="Wait for a port that is not there yet.")
@click.option(
    "--give-up",
    "give_up_s",
    type=click.FloatRange(min=1),
    default=600.0,
    show_default=True,
    metavar="SECONDS",
    help="A meter gone for so long is lost for good: exit 3.",
)
@click.option("--capture", "capture_file", metavar="FILE", help="Write what the meter sends to a new file too.")
@logbook_option
def command(**values: object) -> int:
    """Watch a live rinse: read the meter, forecast, say when to stop, record everything.

    On a terminal what is missing is asked for. Everything is stored in the logbook before it is shown;
    after a power cut, 'rinsewatch watch --continue' goes on where the rinse stood.
    """
    from rinsewatch.cli.watchplan import run_wish

    return run_wish(_wish(values))


def _wish(values: dict[str, object]) -> Wish:
    from rinsewatch.cli.watchplan import Wish
    from rinsewatch.errors import UsageError

    if values["as_json"] and values["plain"]:
        raise UsageError("give --json or --plain, not both")
    settings = given_settings(values)
    if values["plan_file"] is not None:
        settings = _planned(str(values["plan_file"]), settings, go_on=bool(values["go_on"]))
    rest = {name: value for name, value in values.items() if name not in settings and name in Wish.__slots__}
    return Wish(settings=settings, **rest)  # type: ignore[arg-type]  # click has checked the types


def _planned(file: str, given: dict[str, object], *, go_on: bool) -> dict[str, object]:
    from rinsewatch.cli.planfile import settings_from_plan
    from rinsewatch.cli.watchplanned import settings_over_plan
    from rinsewatch.errors import UsageError

    if go_on:
        raise UsageError("--plan: an unfinished rinse keeps the settings it began with; leave --plan or --continue out")
    return settings_over_plan(settings_from_plan(file, given.get("residue")), given)
