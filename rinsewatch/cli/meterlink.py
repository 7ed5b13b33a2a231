"""The meter a person names, as an open link; what goes wrong becomes the promised errors."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from rinsewatch.errors import MeterError, UsageError
from rinsewatch_drivers.clock import Clock
from rinsewatch_drivers.errors import PortError, PortMissing, ProfileError
from rinsewatch_drivers.link import MeterLink
from rinsewatch_drivers.profile import Profile, load_profile

HAND = "hand"
AUTO = "auto"
Tap = Callable[[float, bytes], None]


def profile_for(meter: str | None) -> Profile | None:
    """The profile of ``--meter``: built-in, the user's own, or a file; None: find it by listening.

    Raises UsageError naming file, field and fault.
    """
    if meter is None or meter == AUTO:
        return None
    try:
        return load_profile(meter, (own_profiles(),))
    except ProfileError as error:
        raise UsageError(f"--meter: {error}") from error


def unit_of(profile: Profile | None) -> str:
    """The unit all readings of this profile are in, "" where the lines themselves tell it."""
    if profile is None:
        return ""
    if profile.modbus is not None:
        return profile.modbus.unit
    return (profile.text.unit or "") if profile.text is not None else ""


def own_profiles() -> Path:
    """Where a user may keep profiles to name without a path."""
    from platformdirs import user_config_path

    return user_config_path("rinsewatch", appauthor=False) / "profiles"


def open_link(
    port: str,
    profile: Profile | None,
    *,
    baud: int | None,
    clock: Clock,
    wait: bool = False,
    tap: Tap | None = None,
) -> MeterLink:
    """Open the port. Raises MeterError: not there (with the ports that are), not allowed, in use."""
    try:
        return MeterLink(port, profile, baud=baud, clock=clock, wait=wait, tap=tap)
    except PortMissing as error:
        raise MeterError(f"{error}; {ports_words()}") from error
    except PortError as error:
        raise MeterError(str(error)) from error


def port_names() -> list[str]:
    """Serial ports found now, under the name that stays the same where there is one."""
    from rinsewatch_drivers.ports import list_ports

    return [info.best_name for info in list_ports()]


def ports_words() -> str:
    """The ports found, in words."""
    names = port_names()
    return "ports found: " + ", ".join(names) if names else "no serial port was found"
