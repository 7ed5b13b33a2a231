"""The drivers' errors. Every message is one line: what is wrong, whose fault, what to do.

DriverError
├── PortError           the port cannot be used
│   ├── PortMissing     nothing there
│   ├── PortDenied      no permission (names the group)
│   ├── PortBusy        another program holds it (named where it can be found)
│   └── PortLost        it was open and went away
├── WireError           the bytes break the protocol (a Modbus frame, a capture file)
└── ProfileError        a meter profile that cannot be used: file, field and fault
"""

from __future__ import annotations

_LONGEST = 500  # characters of a message: what somebody's file held must not fill the screen


class DriverError(Exception):
    """Root of the drivers' errors. Quoted control characters are spelled out, an overlong middle is left out."""

    def __init__(self, words: str) -> None:
        shown = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in words)
        half = _LONGEST // 2 - 2  # what to do stands at the end
        super().__init__(shown if len(shown) <= _LONGEST else f"{shown[:half]}...{shown[-half:]}")


class PortError(DriverError):
    """The port cannot be used."""


class PortMissing(PortError):
    """There is no such port."""


class PortDenied(PortError):
    """The user may not open the port."""


class PortBusy(PortError):
    """Another program holds the port."""


class PortLost(PortError):
    """The port was open and went away."""


class WireError(DriverError):
    """Bytes that break the protocol."""


class ProfileError(DriverError):
    """A profile that cannot be used; the message names file, field and fault."""

    def __init__(self, file: str, field: str, fault: str) -> None:
        super().__init__(f"profile {file}: {field}: {fault}" if field else f"profile {file}: {fault}")
        self.file = file
        self.field = field
        self.fault = fault
