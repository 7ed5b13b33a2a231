"""Listening to a meter before it is used."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

import click
import msgspec

from rinsewatch.cli.meterlink import AUTO, open_link, own_profiles, port_names, ports_words, profile_for
from rinsewatch.errors import MeterError, UsageError
from rinsewatch.quantities import parse_reading, reading_us_cm
from rinsewatch.session.convert import Shown, shown_from_reading
from rinsewatch_drivers.clock import Clock, SystemClock
from rinsewatch_drivers.errors import PortError, PortMissing, ProfileError
from rinsewatch_drivers.profile import Profile, SerialSettings, builtin_profiles, load_profile
from rinsewatch_drivers.reading import Reading
from rinsewatch_drivers.sniff import SniffReport, probe, sniff
from rinsewatch_drivers.transport import Transport, open_transport

LINES_SHOWN = 8
POLL_S = 0.25
# A calibrated hand-held meter is usually specified to 2 % of reading; beyond 5 % calibrate or doubt the
# solution. Common practice, from memory.
GOOD_SHARE, FAIR_SHARE = 0.02, 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """What the command line of meters said."""

    port: str | None
    baud: int | None
    seconds: float
    meter: str | None
    tds_factor: float
    probe: int | None
    check: str | None


def run_scan(scan: Scan) -> int:
    """List, listen, probe or check; 0 when something sensible was heard. Raises MeterError, UsageError."""
    if scan.port is None:
        return _list(scan)
    clock = SystemClock()
    if scan.check is not None:
        return _check(scan, scan.port, clock)
    if scan.meter is not None and scan.probe is None and (profile := profile_for(scan.meter)) is not None:
        return _read(scan, scan.port, profile, clock)
    transport = _open(scan.port, scan.baud)
    try:
        if scan.probe is not None:
            return _probe(transport, scan.probe, scan.baud or 9600, clock)
        _tell_listening(scan.port, scan.seconds)
        report = sniff(transport, scan.seconds, clock, known_profiles())
    except PortError as error:
        raise MeterError(str(error)) from error
    finally:
        transport.close()
    click.echo("\n".join(report_lines(report)))
    return 0 if report.best is not None else MeterError.exit_code


def _tell_listening(port: str, seconds: float) -> None:
    """So that nobody takes the silence for a failure."""
    click.echo(f"listening to {port} for {seconds:g} s ...", err=True)


def known_profiles() -> list[Profile]:
    """The user's own profiles and the built-in ones; a wrong file of the user's is named and left out."""
    folder, own = own_profiles(), []
    for path in sorted(folder.glob("*.toml")) if folder.is_dir() else []:
        try:
            own.append(load_profile(str(path)))
        except ProfileError as error:
            click.echo(f"rinsewatch: {error}", err=True)
    return [*own, *builtin_profiles().values()]


def report_lines(report: SniffReport) -> list[str]:
    """What was heard, for people."""
    lines = [f"{report.byte_count} bytes in {report.seconds:g} s, {len(report.lines)} whole lines"]
    lines += [f"  {line}" for line in report.lines[-LINES_SHOWN:]]
    if not report.lines and report.byte_count:
        lines.append(f"  {report.sample}")
    best = report.best
    if best is None:
        return [*lines, _silence_words(report)]
    lines.append("profiles, best first:")
    lines += [f"  {fit.name}: {fit.fits:g} of {fit.lines} lines" for fit in report.fits if fit.fits > 0]
    return [*lines, f"use it: --meter {best.name}"]


def _silence_words(report: SniffReport) -> str:
    if not report.byte_count:
        return "nothing came: is the meter on, does it send unasked? A Modbus meter must be asked: --probe 1"
    return "no line fits a profile: try another --baud, or describe the meter in a profile of your own"


def _list(scan: Scan) -> int:
    if scan.check is not None or scan.probe is not None:
        raise UsageError("name the port: rinsewatch meters PORT")
    names = port_names()
    click.echo(ports_words() if not names else "\n".join(names))
    click.echo(f"profiles: {', '.join(profile.name for profile in known_profiles())}")
    return 0


def _open(port: str, baud: int | None) -> Transport:
    settings = SerialSettings()
    if baud is not None:
        settings = msgspec.structs.replace(settings, baud=baud)
    try:
        return open_transport(port, settings)
    except PortMissing as error:
        raise MeterError(f"{error}; {ports_words()}") from error
    except PortError as error:
        raise MeterError(str(error)) from error


def _probe(transport: Transport, address: int, baud: int, clock: Clock) -> int:
    result = probe(transport, address, clock, baud=baud)
    click.echo(f"Modbus address {address}: {result.detail}")
    return 0 if result.answered else MeterError.exit_code


def _read(scan: Scan, port: str, profile: Profile, clock: Clock) -> int:
    """What the port gives with one profile, asked for where the profile asks."""
    heard = listen(port, profile, scan, clock)
    if not heard.shown:
        raise MeterError(f"{port}: no reading in {scan.seconds:g} s: {_why_none(port, heard, profile)}")
    count = len(heard.shown)
    click.echo(
        f"{count} reading{'' if count == 1 else 's'} with the profile {profile.name} in {scan.seconds:g} s; the last:"
    )
    click.echo("\n".join(f"  {shown}" for shown in heard.shown[-LINES_SHOWN:]))
    return 0


def _check(scan: Scan, port: str, clock: Clock) -> int:
    standard = parse_reading(str(scan.check), "--check")
    if standard.value <= 0:
        raise UsageError("--check: a standard of 0 tells nothing; use a solution like 1413 uS/cm")
    wanted = reading_us_cm(standard.value, standard.unit, scan.tds_factor)
    profile = profile_for(scan.meter or AUTO)
    heard = listen(port, profile, scan, clock)
    shown = heard.shown
    values = [reading_us_cm(s.reading, s.unit, scan.tds_factor) for s in shown if s.reading is not None]
    if not values:
        raise MeterError(f"{port}: no reading in {scan.seconds:g} s: {_why_none(port, heard, profile)}")
    click.echo("\n".join(check_lines(values, wanted, str(standard))))
    return 0


def _why_none(port: str, heard: Heard, profile: Profile | None) -> str:
    if heard.shown:
        return "only over or under range; is the probe in the standard solution?"
    if not heard.byte_count:
        asked = profile is not None and not profile.listens_only
        return "nothing came" + (f" to the questions of the profile {profile.name}" if asked and profile else "")
    if profile is None:
        return f"bytes came, but no line fits a profile; see them: rinsewatch meters {port}; or try another --baud"
    return (
        f"bytes came, but none fits the profile {profile.name}; without --meter the line is listened to first, "
        f"and 'rinsewatch meters {port}' shows it"
    )


@dataclass(slots=True)
class Heard:
    """Readings, over and under range among them, and how many bytes came in all."""

    shown: list[Shown]
    byte_count: int = 0

    def tap(self, monotonic_s: float, data: bytes) -> None:
        """Count bytes."""
        self.byte_count += len(data)


def listen(port: str, profile: Profile | None, scan: Scan, clock: Clock) -> Heard:
    """Readings of ``scan.seconds``."""
    heard = Heard([])
    link = open_link(port, profile, baud=scan.baud, clock=clock, tap=heard.tap)
    shown = heard.shown
    _tell_listening(port, scan.seconds)
    ends_s = clock.monotonic() + scan.seconds
    try:
        while (left_s := ends_s - clock.monotonic()) > 0:
            readings = [item for item in link.poll(min(POLL_S, left_s)) if isinstance(item, Reading)]
            shown += [found for item in readings if (found := shown_from_reading(item)) is not None]
    finally:
        link.close()
    return heard


def check_lines(values_us_cm: Sequence[float], wanted_us_cm: float, standard: str) -> list[str]:
    """How far the readings are from the standard, and what that means."""
    middle = statistics.median(values_us_cm)
    off = middle / wanted_us_cm - 1.0
    spread = max(values_us_cm) - min(values_us_cm)
    lines = [f"standard {standard}: {len(values_us_cm)} readings, median {middle:.4g} uS/cm"]
    lines.append(f"off by {100 * off:+.1f} %, readings spread over {spread:.3g} uS/cm")
    if spread > GOOD_SHARE * wanted_us_cm:
        lines.append("not settled yet: wait until the probe has the solution's temperature, then check again")
    elif abs(off) <= GOOD_SHARE:
        lines.append("good: within 2 %")
    elif abs(off) <= FAIR_SHARE:
        lines.append("fair: within 5 %; feed, rinse water and target read on this same meter stay comparable")
    else:
        lines.append("calibrate the meter, or try a fresh standard solution")
    return lines
