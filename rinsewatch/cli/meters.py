"""``rinsewatch meters``: which ports there are, what one of them says, whether a meter reads right."""

from __future__ import annotations

import click


@click.command(
    epilog="""\b
Examples:
  rinsewatch meters                          list the serial ports
  rinsewatch meters /dev/ttyUSB0             listen: the bytes, and which profiles fit
  rinsewatch meters /dev/ttyUSB0 --meter plain-number    read with one profile
  rinsewatch meters /dev/ttyUSB0 --probe 1   ask a Modbus device at address 1
  rinsewatch meters /dev/ttyUSB0 --check '1413 uS/cm'"""
)
@click.argument("port", required=False, metavar="[PORT]")
@click.option("--baud", type=click.IntRange(min=50), help="Speed of the line (default 9600).")
@click.option("--seconds", type=click.FloatRange(0.2, 600), default=10.0, show_default=True, help="How long.")
@click.option("--meter", metavar="PROFILE", help="Read with this profile (default: found by listening).")
@click.option("--tds-factor", type=click.FloatRange(0.3, 1.0), default=0.5, show_default=True)
@click.option("--probe", type=click.IntRange(1, 247), metavar="ADDRESS", help="Ask a Modbus device (sends!).")
@click.option("--check", metavar="STANDARD", help="Compare with a standard solution, like '1413 uS/cm'.")
def command(**values: object) -> int:
    """List serial ports; given one, listen to it and say which meter profiles fit.

    Nothing is sent to a port unless --probe or a profile that asks is used. --check takes readings for
    --seconds with the probe in a standard solution, and says how far off the meter is.
    """
    from rinsewatch.cli.meterscan import Scan, run_scan

    return run_scan(Scan(**values))  # type: ignore[arg-type]  # click has checked the types
