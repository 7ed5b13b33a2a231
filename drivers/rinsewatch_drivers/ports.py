"""The serial ports of this machine, with the names that stay the same when a cable is plugged in again."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports as pyserial_ports

# the links a Linux system keeps for each adapter, named after it and not after the order of plugging in
BY_ID_FOLDER = Path("/dev/serial/by-id")


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A port: its device now, its lasting name (empty if it has none), and what the system says of it."""

    device: str
    by_id: str
    description: str

    @property
    def best_name(self) -> str:
        """The name to give to ``--port``."""
        return self.by_id or self.device


def list_ports(by_id_folder: Path = BY_ID_FOLDER) -> list[PortInfo]:
    """The ports found, by device name. (pyserial itself looks for links in /dev only, not below it.)"""
    links = by_id_links(by_id_folder)
    found = sorted(pyserial_ports.comports(), key=lambda port: port.device)
    return [PortInfo(p.device, links.get(p.device, ""), _said(p.description)) for p in found]


def by_id_links(folder: Path) -> dict[str, str]:
    """Device -> its lasting link, for the links in ``folder``."""
    try:
        links = sorted(folder.iterdir())
    except OSError:
        return {}
    return {os.path.realpath(link): str(link) for link in links if link.is_symlink()}


def _said(description: str | None) -> str:
    return "" if description in (None, "n/a") else str(description)
