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


def other_opener(device: str, proc: Path = Path("/proc")) -> str:
    """``"someprogram (pid 123)"`` for another program that has ``device`` open beside this one; "" if none is seen.

    Only devices are looked for: a URL is nobody else's, and the search reads the whole of /proc. Whoever holds the
    other end of a pseudo-terminal is the meter itself (a simulated one) and takes nothing away.
    """
    target = os.path.realpath(device)
    if not target.startswith("/dev/"):
        return ""
    others = (pid for pid in _openers(device, proc) if pid != os.getpid() and not _is_far_end(pid, target, proc))
    found = min(others, default=None)
    return "" if found is None else f"{_name(found, proc)} (pid {found})"


def _is_far_end(pid: int, target: str, proc: Path) -> bool:
    """Does this process hold the master of the pseudo-terminal ``target``?"""
    folder, number = os.path.split(target)
    if folder != "/dev/pts":
        return False
    masters = (link for link in _fds(proc / str(pid) / "fd") if _points_to(link) in ("/dev/ptmx", "/dev/pts/ptmx"))
    return any(f"tty-index:\t{number}\n" in _text(proc / str(pid) / "fdinfo" / link.name) for link in masters)


def _fds(folder: Path) -> list[Path]:
    try:
        return list(folder.iterdir())
    except OSError:  # gone meanwhile, or another user's
        return []


def _points_to(link: Path) -> str:
    try:
        return os.readlink(link)
    except OSError:
        return ""


def _text(path: Path) -> str:
    try:
        return path.read_text("ascii", "replace")
    except OSError:
        return ""


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
    return any(_points_to(link) == target for link in _fds(fd_folder))


def _name(pid: int, proc: Path) -> str:
    try:
        return (proc / str(pid) / "comm").read_text("utf-8", "replace").strip() or "a program"
    except OSError:
        return "a program"
