"""Fault bench: little memory, a busy processor, no network, no home, three days (rows H08, H18-H21)."""

from __future__ import annotations

import math
import os
import resource
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np

from rinsewatch.cli.bench_fault_campaign import clean_record
from rinsewatch.cli.bench_fault_live import PORTIONS, Watched
from rinsewatch.cli.bench_fault_program import environment, run_program, sound, wait_for
from rinsewatch.cli.bench_fault_rig import (
    Cable,
    Recording,
    Script,
    VirtualClock,
    cable_link,
    open_files,
    plugged,
    profile_of,
    readings,
    resident_mb,
    setup,
)
from rinsewatch.cli.bench_fault_table import Bench, CannotRun, Outcome, fault, in_time
from rinsewatch_drivers.clock import SystemClock
from rinsewatch_drivers.link import MeterLink
from rinsewatch_drivers.reading import Reading


@fault(
    "H08",
    "low memory",
    inject="address space of the running watch frozen where it stands, then killed -9",
    must="no traceback, recording goes on or ends with all rows there",
)
def memory(bench: Bench) -> Outcome:
    """A limit below what it has at the moment: each larger request fails from then on."""
    with Watched(bench.folder) as watched:
        begun = watched.begun()
        watched.speak(30, 0.05)
        size = int(Path(f"/proc/{watched.process.pid}/statm").read_text("ascii").split()[0]) * 4096
        resource.prlimit(watched.process.pid, resource.RLIMIT_AS, (size, size))
        watched.speak(bench.many(300, 60), 0.05)
        wait_for(lambda: watched.missing() == 0, 5.0, 0.2)
        missing, alive = watched.missing(), watched.process.poll() is None
        watched.process.kill()
        watched.process.wait()
        whole = sound(watched.path)
        said = watched.errors()
    held = begun and whole and "Traceback" not in said and (missing == 0 or not alive)
    return Outcome(held, f"alive: {alive}, {missing} of {watched.sent_count} lines missing, record sound: {whole}")


# At nice 19 beside eight others the kernel gives 15 of 8,200 parts of a core: late is not lost. What takes 20 ms takes
# 5 s so; after a while another process gives the processor back, as no thread of ours gets to it in time.
_STARVED_S, _AFTER_S = 20.0, 40.0
_GIVE_BACK = "import os, sys, time; s, t, n = sys.argv[1:]; time.sleep(float(s)); os.setpriority(0, int(t), int(n))"
_BURN = "while True: sum(range(1000))"


@fault(
    "H18",
    "processor starved",
    inject="eight busy processes, our own as nice as they and at nice 19, 10 lines a second",
    must="none lost; 99 % read within 500 ms where all are equally nice",
)
def starved(bench: Bench) -> Outcome:
    """The lag from sending to the driver's stamp, and what is in the record in the end."""
    burners = [subprocess.Popen([sys.executable, "-c", _BURN]) for _ in range(8)]
    words, held, quick = [], True, True
    try:
        for nice in (0, 19):
            folder = bench.folder / str(nice)
            folder.mkdir()
            lags, lost = _lags(folder, bench.many(300, 40 if nice == 0 else 15), nice)
            p99_s = sorted(lags)[int(0.99 * (len(lags) - 1))] if lags else math.inf
            held, quick = held and lost == 0, quick and (p99_s < 0.5 or nice > 0)
            words.append(f"nice {nice}: {lost} lost, 99 % within {1000 * p99_s:.0f} ms")
    finally:
        for burner in burners:
            burner.kill()
            burner.wait()
    return in_time(held, quick, "; ".join(words))


def _lags(folder: Path, lines: int, nice: int) -> tuple[list[float], int]:
    """Seconds from each line's sending to its reading at this niceness, and lines that never came."""
    sent: dict[bytes, float] = {}
    with plugged(folder) as pty:
        link = MeterLink(str(pty.link), profile_of(), clock=SystemClock())
        pty.send(b"\r\n")

        def talk() -> None:
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), 0)
            for number in range(lines):
                sent[b"%d.0 uS/cm" % number] = time.monotonic()
                pty.send(b"%d.0 uS/cm\r\n" % number)
                time.sleep(0.1)

        talker, lags = threading.Thread(target=talk, daemon=True), list[float]()
        recording, reader = Recording(folder, VirtualClock()), threading.get_native_id()
        before = os.getpriority(os.PRIO_PROCESS, reader)
        giver = [sys.executable, "-c", _GIVE_BACK, str(_STARVED_S), str(reader), str(before)]
        with subprocess.Popen(giver, stderr=subprocess.DEVNULL) as giving:  # only root's succeeds
            talker.start()
            os.setpriority(os.PRIO_PROCESS, reader, nice)
            ends_s = time.monotonic() + lines * 0.1 + _STARVED_S + _AFTER_S
            while len(lags) < lines and time.monotonic() < ends_s:
                found = readings(link.poll(0.25))
                lags += [reading.monotonic_s - sent[reading.raw] for reading in found if reading.raw in sent]
                recording.take(found)
            giving.kill()
        if os.geteuid() == 0:  # nobody else may take nice back
            os.setpriority(os.PRIO_PROCESS, reader, before)
        kept = sum(entry.kind != "event" for entry in recording.entries())
        recording.close()
        link.close()
        talker.join(5.0)
    return lags, lines - min(len(lags), kept)


@fault(
    "H19",
    "no network",
    inject="replay in a network name space with nothing in it",
    must="the same bytes as with a network",
)
def no_network(bench: Bench) -> Outcome:
    """A simulated recording, replayed twice."""
    if os.geteuid() != 0 or shutil.which("unshare") is None:
        raise CannotRun("needs root and unshare")
    recording = bench.folder / "rinse.csv"
    clean_record(0).to_csv(recording)
    command = [sys.executable, "-m", "rinsewatch", "replay", "--json", str(recording)]
    world = environment(bench.folder)
    found = [
        subprocess.run([*before, *command], env=world, capture_output=True, check=False, timeout=120)
        for before in ([], ["unshare", "-n"])
    ]
    same = found[0].stdout == found[1].stdout and len(found[0].stdout) > 1000
    return Outcome(same and found[1].returncode == 0, f"{len(found[0].stdout)} bytes, same: {same}")


@fault(
    "H20",
    "no home, odd paths",
    inject="HOME unset, not writable, a file; a path with blanks and UTF-8; one of 4,096 characters",
    must="works, or one plain sentence",
)
def homeless(bench: Bench) -> Outcome:
    """A rinse typed by hand in each."""
    wrong = bench.folder / "file"
    wrong.write_text("x")
    spaces = bench.folder / "a b ö 日本" / "log book.sqlite"
    hand = ("watch", "--port", "hand", "--plain", *PORTIONS)
    worlds: list[tuple[dict[str, str], tuple[str, ...]]] = [
        ({"HOME": "", "RINSEWATCH_DATA": ""}, ("--logbook", str(bench.folder / "x.sqlite"))),
        ({"RINSEWATCH_DATA": "/proc/none"}, ()),
        ({"RINSEWATCH_DATA": str(wrong)}, ()),
        ({}, ("--logbook", str(spaces))),
        ({}, ("--logbook", "/" + "x" * 4095)),
    ]
    codes, plain = [], 0
    for world, words in worlds:
        code, out, err = run_program(bench.folder, *hand, *words, typed="= 412 ppm\nq\n", world=world)
        codes.append(code)
        worked = code == 0 and "recorded in" in out
        plain += worked or (code in (2, 4) and len(err.strip().splitlines()) == 1 and "Traceback" not in err)
    held = plain == len(worlds) and codes[0] == codes[3] == 0
    return Outcome(held, f"{plain}/{len(worlds)} worked or said so in one line; exit codes {codes}")


@fault(
    "H21",
    "three days",
    inject="260,000 readings (72 h) at 1 Hz in virtual time through link, core and logbook",
    must="none missing, memory growth under 5 MB, descriptors constant",
)
def soak(bench: Bench) -> Outcome:
    """A flow rinse that falls for an hour and then stands; memory from the first tenth on."""
    total = bench.many(260_000, 8_000)  # 72 h are 259,200; sent in pieces of 2,000
    clock, rng = VirtualClock(), np.random.default_rng(21)
    recording = Recording(bench.folder, clock, setup(portion_ml=None, flow_ml_min=1.0))
    marks: list[tuple[float, int]] = []
    got, began, waiting = 0, clock.now_s, list[Reading]()
    for start in range(0, total, 2_000):
        values = 800.0 * np.exp(-(np.arange(start, start + 2_000) / 900.0)) + 20.0 + rng.normal(0, 0.05, 2_000)
        made: Script = [(1.0 + n, b"%.2f uS/cm\r\n" % value) for n, value in enumerate(values.tolist())]
        link = cable_link(clock, Cable(clock, made))
        ends_s = clock.now_s + 2_000.5
        while clock.now_s < ends_s:
            happened = readings(link.poll(min(0.25, ends_s - clock.now_s)))
            got += len(happened)
            waiting += happened
            if len(waiting) >= 200:
                recording.take(waiting)
                waiting.clear()
        recording.take(waiting)
        waiting.clear()
        if start >= total // 10:
            marks.append((resident_mb(), open_files()))
    with_rows = recording.book.rinse(recording.rinse_id).rows
    recording.close()
    grown, files = marks[-1][0] - marks[0][0], marks[-1][1] - marks[0][1]
    held = got == total and with_rows >= total and grown < 5.0 and files <= 0
    figures = (
        f"{total - got} of {total} missing, {with_rows} rows stored, memory {grown:+.1f} MB, descriptors {files:+d}"
    )
    return Outcome(held, f"{figures}, {(clock.now_s - began) / 3600:.0f} h of rinse")
