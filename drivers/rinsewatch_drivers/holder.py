"""Who holds a port, where the system can tell (Linux: /proc)."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path


def describe_holder(device: str, proc: Path = Path("/proc")) -> str:
    """``"someprogram (pid 123)"`` for the program that has ``device`` open, or ``"another program"``."""
    holders = sorted(_lock_holders(device, proc)) or sorted(_openers(device, proc))
    others = [pid for pid in holders if pid != os.getpid()]
    if not others:
        return "this program itself" if holders else "another program"
    return f"{_name(others[0], proc)} (pid {others[0]})"


def _lock_holders(device: str, proc: Path) -> Iterator[int]:
    try:
        wanted = os.stat(device)
        lines = (proc / "locks").read_text("ascii").splitlines()
    except OSError:
        return
    # "1: FLOCK  ADVISORY  WRITE 123 00:05:4711 0 EOF": pid, then major:minor:inode of the file system
    inode = f":{wanted.st_ino}"
    for fields in (line.split() for line in lines):
        if len(fields) >= 6 and fields[1] == "FLOCK" and fields[5].endswith(inode) and fields[4].isdigit():
            yield int(fields[4])


def _openers(device: str, proc: Path) -> Iterator[int]:
    target = os.path.realpath(device)
    for folder in proc.glob("[0-9]*"):
        if _has_open(folder / "fd", target):
            yield int(folder.name)


def _has_open(fd_folder: Path, target: str) -> bool:
    try:
        return any(os.readlink(link) == target for link in fd_folder.iterdir())
    except OSError:  # gone meanwhile, or another user's
        return False


def _name(pid: int, proc: Path) -> str:
    try:
        return (proc / str(pid) / "comm").read_text("utf-8", "replace").strip() or "a program"
    except OSError:
        return "a program"
