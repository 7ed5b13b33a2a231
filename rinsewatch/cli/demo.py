"""``rinsewatch demo``: a whole rinse on a simulated meter."""

from __future__ import annotations

import click

from rinsewatch.cli.options import logbook_option


@click.command(
    epilog="""\b
Examples:
  rinsewatch demo
  rinsewatch demo --residue HCl --speed 30
  rinsewatch demo --plain --seed 7

All data of the demo are invented: bed, water, meter and operator are simulated."""
)
@click.option("--speed", type=click.FloatRange(1, 200), default=24.0, show_default=True, help="Times faster.")
@click.option("--seconds", type=click.FloatRange(1), default=240.0, show_default=True, help="Longest run.")
@click.option("--residue", type=click.Choice(["NaOH", "HCl", "salt"]), default="NaOH", show_default=True)
@click.option("--flow", is_flag=True, help="Continuous flow instead of portions.")
@click.option("--seed", type=int, default=1, show_default=True, help="Another seed is another rinse.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line for each reading.")
@click.option("--plain", is_flag=True, help="Plain lines instead of the dashboard.")
@click.option("--keep", is_flag=True, help="Keep earlier demo rinses in the demo logbook.")
@logbook_option
def command(**values: object) -> int:
    """Run a whole simulated rinse, sped up, on exactly the code that watches a real one.

    A simulated bed is rinsed portion by portion; a simulated meter speaks over a pseudo-terminal; the
    forecast runs, stop is announced, everything is recorded in a logbook of its own (demo.sqlite).
    At the end the tool's answer is compared with the truth, which only the simulator knows.
    """
    from rinsewatch.cli.demorun import Demo, run_demo
    from rinsewatch.errors import UsageError

    if values["as_json"] and values["plain"]:
        raise UsageError("give --json or --plain, not both")
    return run_demo(Demo(**values))  # type: ignore[arg-type]  # click has checked the types
