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


class DriverError(Exception):
    """Root of the drivers' errors."""


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
