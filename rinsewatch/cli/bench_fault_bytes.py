"""Fault bench: what comes over the wire is not what should (rows S06-S13, S21)."""

from __future__ import annotations

import os
import random
import termios
import time

from rinsewatch.cli.bench_fault_cable import LOOSE
from rinsewatch.cli.bench_fault_program import script
from rinsewatch.cli.bench_fault_rig import (
    Cable,
    Recording,
    Script,
    VirtualClock,
    believed,
    cable_link,
    plugged,
    poll_for,
    poll_until,
    profile_of,
    readings,
    resident_mb,
)
from rinsewatch.cli.bench_fault_table import Bench, Outcome, fault, in_time
from rinsewatch_drivers.clock import SystemClock
from rinsewatch_drivers.framing import FrameKind, LineFramer
from rinsewatch_drivers.link import MeterLink
from rinsewatch_drivers.profile import SerialSettings
from rinsewatch_drivers.reading import Quality
from rinsewatch_drivers.sniff import escape_bytes
from rinsewatch_drivers.text import parse_line
from rinsewatch_drivers.transport import open_transport


@fault(
    "S06",
    "garbage",
    inject="64 random bytes before each of 10,000 good lines",
    must="all good lines kept, no false reading, everything in the record",
)
def garbage(bench: Bench) -> Outcome:
    """The ledger is kept in bytes: every byte between two line ends is stored as it came."""
    clock, rng, lines = VirtualClock(), random.Random(6), bench.many(10_000, 600)
    sent = [(rng.randbytes(64), b"%d.5 uS/cm" % (n % 3000)) for n in range(lines)]
    made: Script = [(0.1 * n, junk + b"\n" + good + b"\r\n") for n, (junk, good) in enumerate(sent)]
    link = cable_link(clock, Cable(clock, made))
    recording = Recording(bench.folder, clock)
    happened = poll_for(link, clock, 0.1 * lines + 1.0)
    recording.take_all(happened)
    frames = [f for _, data in made for f in _split(data or b"")]
    ledger = recording.ledger(frames)
    kept = believed(happened)
    wrong = len(kept) - sum(value % 1 == 0.5 for value in kept)
    taken = sum(LOOSE.search(junk) is not None for junk, _ in sent)
    recording.close()
    figures = f"{len(kept) - wrong}/{lines} good lines kept, {wrong} false readings; {ledger}"
    return Outcome(
        len(kept) == lines and not wrong and ledger.balanced,
        figures,
        f"find-a-number took {taken} of {lines} pieces of garbage",
        taken > 0,
    )


def _split(data: bytes) -> list[bytes]:
    """At the three line ends, as a plain reading of the description has it."""
    return [piece for piece in data.replace(b"\r", b"\n").replace(b"\f", b"\n").split(b"\n") if piece]


@fault(
    "S07",
    "half lines, any chunking",
    inject="the same bytes cut at random, 2,000 times",
    must="the same lines, at most 256 bytes held",
)
def chunks(bench: Bench) -> Outcome:
    """Lines of all lengths, over-long ones too, terminators cut in two."""
    rng = random.Random(7)
    data = b"".join(rng.randbytes(rng.randint(0, 300)) + rng.choice([b"\r\n", b"\n", b"\r"]) for _ in range(40))
    whole, same, held = LineFramer().feed(data), 0, 0
    times = bench.many(2_000, 200)
    for _ in range(times):
        framer, found, at = LineFramer(), [], 0
        while at < len(data):
            size = rng.choice([1, 2, 7, 64, 300])
            found += framer.feed(data[at : at + size])
            at, held = at + size, max(held, framer.buffered)
        same += found == whole
    return Outcome(
        same == times and held <= 256,
        f"{same}/{times} cuts give the same {len(whole)} frames, at most {held} bytes held",
    )


@fault(
    "S08",
    "glued lines",
    inject="two lines with the end between them lost, one or both short of some bytes",
    must="never a good reading",
)
def glued(bench: Bench) -> Outcome:
    """In each text profile's own language."""
    pairs = {
        "plain-number": b"12.3 uS/cm",
        "key-value": b"EC=12.3 uS/cm T=24.8",
        "csv-columns": b"17,12.3,uS/cm,24.8",
        "json-lines": b'{"value": 12.3, "unit": "uS/cm"}',
        "polled-ascii": b"12.3 uS/cm 24.8 C",
    }
    tried = wrong = loose = 0
    for name, line in pairs.items():
        for lost_end in range(5):
            for lost_begin in range(5):
                both = line[: len(line) - lost_end] + line[lost_begin:]
                tried += 1
                wrong += parse_line(profile_of(name), both).quality is Quality.GOOD
                loose += LOOSE.search(both) is not None
    clock = VirtualClock()
    made: Script = [(1.0, b"\r\n12.3 uS12.4 uS\r\n"), (2.0, b"12.5 uS\r\n")]
    found = believed(poll_for(cable_link(clock, Cable(clock, made)), clock, 3.0))
    return Outcome(
        wrong == 0 and found == [12.5],
        f"{wrong} of {tried} read as good, mid-stream: {found}",
        f"find-a-number took {loose} of {tried}",
        loose > 0,
    )


@fault(
    "S09",
    "control characters, no UTF-8, UTF-16, BOM",
    inject="all 256 values 40 times, escape sequences, UTF-16 and BOM lines",
    must="stored as they came, nothing of it acts on a terminal, no false reading",
)
def controls(bench: Bench) -> Outcome:
    """Shown: all that a snapshot and the sniffer say."""
    clock = VirtualClock()
    odd = [bytes([value]) * 3 + b"12.3 uS/cm" for value in range(256)] * bench.many(40, 4)
    odd += [
        "12.3 uS/cm".encode("utf-16"),
        b"\xef\xbb\xbf12.3 uS/cm",
        b"\x1b[2J12.3 uS/cm",
        b"\x1b]0;x\x0712.3 uS/cm",
    ] * 5
    made: Script = [(0.1 * n, line + b"\r\n") for n, line in enumerate(odd)]
    recording = Recording(bench.folder, clock)
    happened = poll_for(cable_link(clock, Cable(clock, made)), clock, 0.1 * len(odd) + 1.0)
    recording.take_all(happened)
    ledger = recording.ledger([frame for line in odd for frame in _split(line)])
    shown = recording.live.snapshot()
    said = [shown.message, shown.link_words, shown.trouble, *(words for _, words in shown.said), *recording.events()]
    recording.close()
    plain = all(words.isprintable() for words in said) and all(escape_bytes(line).isprintable() for line in odd)
    # digits, blanks, signs and the line ends themselves may make a line that is one
    good = {b"%b12.3 uS/cm" % (bytes([c]) * 3) for c in b"0123456789 \t\r\n\f"} | {b"12.3 uS/cm"}
    wrong = [r.raw for r in readings(happened) if r.quality is Quality.GOOD and r.raw not in good]
    return Outcome(
        plain and not wrong and ledger.balanced,
        f"{len(wrong)} false readings, all shown text printable: {plain}; {ledger}",
    )


_READLINE = """
import os, sys, threading, time, tty, serial
master, far = os.openpty()
tty.setraw(far)
port = serial.Serial(os.ttyname(far), timeout=1)
data = b"7" * int(sys.argv[1])
def send():
    at = 0
    while at < len(data):
        at += os.write(master, data[at:at + 65536])
    os.write(master, b"\\r\\n12.0 uS/cm\\r\\n")
threading.Thread(target=send, daemon=True).start()
began = time.monotonic()
while not port.readline().endswith(b"uS/cm\\r\\n") and time.monotonic() - began < 20:
    pass
print(time.monotonic() - began)
"""


@fault(
    "S10",
    "10 MB without newline",
    inject="written through a pty by a thread, then a good line",
    must="within 1 s, memory + < 2 MB, one overlong frame, the good line read",
)
def flood_of_one_line(bench: Bench) -> Outcome:
    """A terminal passes 4 kB at a time, so on a busy machine it takes longer; ours is the processor's time."""
    junk = b"7" * (bench.many(10, 10) * 1_000_000)
    began_s = time.process_time()
    framer = LineFramer(joined=True)
    alone = framer.feed(junk) + framer.feed(b"\r\n12.0 uS/cm\r\n")
    framing_s = time.process_time() - began_s
    with plugged(bench.folder) as pty:
        link = MeterLink(str(pty.link), profile_of(), clock=SystemClock())
        pty.send(b"\r\n")
        link.poll(0.1)
        before_mb, began_s, busy_s = resident_mb(), time.monotonic(), -time.process_time()
        sender = pty.send_aside(junk + b"\r\n12.0 uS/cm\r\n")
        happened = poll_until(link, lambda h: 12.0 in believed(h), 20.0)
        busy_s += time.process_time()
        took_s, grown_mb = time.monotonic() - began_s, resident_mb() - before_mb
        sender.join()
        link.close()
    overlong = sum(r.cause == "overlong" for r in readings(happened))
    held = busy_s <= 1.0 and grown_mb < 2.0 and overlong == 1 and 12.0 in believed(happened)
    held = held and [frame.kind for frame in alone] == [FrameKind.OVERLONG, FrameKind.LINE]
    figures = (
        f"framer {framing_s:.2f} s, through the pty {took_s:.2f} s ({busy_s:.2f} s of processor), "
        f"memory {grown_mb:+.1f} MB, {overlong} overlong"
    )
    with script(_READLINE, str(bench.many(2_000_000, 250_000))) as naive:
        said, _ = naive.communicate(timeout=60)
    slow_s = float(said)
    share = bench.many(2_000_000, 250_000) / len(junk)
    return in_time(
        held,
        framing_s <= 1.0 and took_s <= 3.0,
        figures,
        f"pyserial's readline: {slow_s:.1f} s for {100 * share:.0f} % of it",
        slow_s > 2 * share * took_s,
    )


@fault("S11", "line ends", inject="CR, LF, CRLF, LFCR, FF", must="the same readings")
def ends(bench: Bench) -> Outcome:
    """Five endings, ten lines each."""
    found = set()
    for end in (b"\r", b"\n", b"\r\n", b"\n\r", b"\f"):
        clock = VirtualClock()
        made: Script = [(0.0, end), *((1.0 + n, b"%d.0 uS/cm" % (900 - n) + end) for n in range(10))]
        found.add(tuple(believed(poll_for(cable_link(clock, Cable(clock, made)), clock, 12.0))))
    same = found == {tuple(900.0 - n for n in range(10))}
    return Outcome(same, f"{'same' if same else 'different'} 10 readings with 5 endings")


@fault(
    "S12",
    "echo of our command",
    inject="every byte sent comes back, at once and late; text and Modbus",
    must="never a reading, echo named",
)
def echo(bench: Bench) -> Outcome:
    """A meter behind an adapter that echoes, and an adapter alone."""
    clock = VirtualClock()
    meter = Cable(clock, [], lambda sent: [(0.02, sent), (0.1, b"412.0 uS/cm\r\n"), (0.7, sent)])
    happened = poll_for(cable_link(clock, meter, profile_of("polled-ascii")), clock, 30.0)
    alone = Cable(clock, [], lambda sent: [(0.02, sent)])
    lonely = poll_for(cable_link(clock, alone, profile_of("modbus-float")), clock, 30.0)
    recording = Recording(bench.folder, clock)
    recording.take_all([*happened, *lonely])
    told = any("echo" in event for event in recording.events())
    recording.close()
    wrong = [value for value in believed(happened) if value != 412.0] + believed(lonely)
    figures = f"{len(wrong)} false readings, {len(believed(happened))} right ones, told: {told}"
    return Outcome(not wrong and told and len(believed(happened)) >= 25, figures)


@fault(
    "S13",
    "cooked line left by others",
    inject="stty sane, then 10,240 bytes of all 256 values",
    must="all pass unchanged, the old settings restored",
)
def cooked(bench: Bench) -> Outcome:
    """The control reads the line as it was left."""
    data = bytes(range(256)) * 40
    with plugged(bench.folder) as pty:
        watcher = os.open(pty.path, os.O_RDWR | os.O_NOCTTY)
        _make_sane(watcher)
        before = termios.tcgetattr(watcher)
        spoiled = _pass_through(watcher, pty.master, data[:2048])
        termios.tcflush(watcher, termios.TCIOFLUSH)
        termios.tcflush(pty.master, termios.TCIOFLUSH)
        transport = open_transport(str(pty.link), SerialSettings())
        sender, got, ends_s = pty.send_aside(data), b"", time.monotonic() + 5.0
        while len(got) < len(data) and time.monotonic() < ends_s:
            got += transport.read(0.2)
        sender.join(1.0)
        transport.close()
        restored = termios.tcgetattr(watcher) == before
        os.close(watcher)
    return Outcome(
        got == data and restored,
        f"{len(got)}/{len(data)} bytes, same: {got == data}, settings restored: {restored}",
        f"unset line passed {len(spoiled)} of 2048",
        spoiled != data[:2048],
    )


def _make_sane(descriptor: int) -> None:
    settings = termios.tcgetattr(descriptor)
    settings[0] |= termios.ICRNL | termios.IXON | termios.ISTRIP
    settings[1] |= termios.OPOST
    settings[3] |= termios.ICANON | termios.ECHO | termios.ISIG | termios.IEXTEN
    termios.tcsetattr(descriptor, termios.TCSANOW, settings)


def _pass_through(reader: int, writer: int, data: bytes) -> bytes:
    os.set_blocking(reader, False)
    got = b""
    for start in range(0, len(data), 64):
        os.write(writer, data[start : start + 64])
        try:
            got += os.read(reader, 4096)
        except BlockingIOError:
            continue
    return got


@fault(
    "S21",
    "flood",
    inject="1,000 lines a second for 60 s through a pty, recorded",
    must="none lost, or the exact count of what was skipped",
)
def flood(bench: Bench) -> Outcome:
    """Through link, core and logbook; the ledger is exact."""
    seconds = bench.many(60, 3)
    sent = [b"%d.%d uS/cm" % (3000 - n % 2000, n % 10) for n in range(seconds * 1000)]
    recording = Recording(bench.folder, VirtualClock())
    with plugged(bench.folder) as pty:
        link = MeterLink(str(pty.link), profile_of(), clock=SystemClock())
        pty.send(b"\r\n")
        link.poll(0.1)
        began_s, happened, got, at = time.monotonic(), [], 0, 0
        while got < len(sent) and time.monotonic() - began_s < 2.0 * seconds + 10.0:
            due = min(len(sent), int((time.monotonic() - began_s) * 1000) + 1, at + 200)
            if due > at:
                pty.send(b"\r\n".join(sent[at:due]) + b"\r\n")
                at = due
            happened = link.poll(0.02)
            got += len(readings(happened))
            recording.take_all(happened)
        took_s = time.monotonic() - began_s
        link.close()
    ledger = recording.ledger(sent)
    recording.close()
    return Outcome(
        ledger.balanced and got == len(sent), f"{got / took_s:.0f} lines a second for {took_s:.1f} s; {ledger}"
    )
