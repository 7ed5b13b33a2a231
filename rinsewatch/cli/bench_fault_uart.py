"""Fault bench: the wrong speed, through a receiver that resamples bits; a pseudo-terminal has no speed (row S05)."""

from __future__ import annotations

import random
from dataclasses import dataclass
from itertools import islice

from rinsewatch.cli.bench_fault_cable import LOOSE
from rinsewatch.cli.bench_fault_rig import (
    Cable,
    VirtualClock,
    believed,
    events,
    poll_for,
    profile_of,
)
from rinsewatch.cli.bench_fault_table import Bench, Outcome, fault
from rinsewatch_drivers.framing import LineFramer
from rinsewatch_drivers.link import MeterLink
from rinsewatch_drivers.profile import Profile, builtin_profiles
from rinsewatch_drivers.reading import Kind, LinkState
from rinsewatch_drivers.text import parse_line

PAIRS = ((2400, 9600), (9600, 2400), (4800, 9600), (9600, 4800), (9600, 19200), (19200, 9600), (9600, 115200),
         (115200, 9600), (19200, 38400))  # fmt: skip
_IDLE = b"\1" * 12  # a silent line is high


def heard(data: bytes, sent_baud: int, read_baud: int) -> bytes:
    """What an 8N1 receiver at one speed makes of bytes sent at another: bits sampled in their middle, no framing check.

    A start bit is found within an eighth of a received bit, as receivers that sample eightfold do.
    """
    bits = _IDLE + b"".join(bytes([0, *((byte >> i) & 1 for i in range(8)), 1]) for byte in data) + _IDLE
    step, position, out = sent_baud / read_baud, 0.0, bytearray()  # step: sent bits in a received bit
    while (start := bits.find(0, int(position))) >= 0:
        position = max(position, start + min(step, 1.0) / 16)
        levels = [int(position + (i + 1.5) * step) for i in range(8)]
        out.append(sum((bits[at] if at < len(bits) else 1) << i for i, at in enumerate(levels)))
        position += 9.5 * step
        # after a low stop bit the receiver waits for the line to go high before it looks for a start again
        if position < len(bits) and not bits[int(position)]:
            position = float(bits.find(1, int(position)))
    return bytes(out)


def _sent(rng: random.Random, count: int) -> list[bytes]:
    return [f"{rng.uniform(0, 2000):.1f} uS/cm {rng.uniform(15, 30):.1f} C\r\n".encode() for _ in range(count)]


@fault(
    "S05",
    "wrong speed",
    inject="9 pairs of speeds, with gaps between the lines and without, 2,000 lines each, every text profile",
    must="no false reading, a hint within 10 s, then the right speed by name",
)
def wrong_speed(bench: Bench) -> Outcome:
    """The right speed must pass unchanged, or the receiver would prove nothing."""
    rng = random.Random(5)
    proof = b"".join(_sent(rng, 50))
    assert heard(proof, 9600, 9600) == proof, "the receiver spoils the right speed"
    lines = bench.many(2_000, 60)
    profiles = [profile for profile in builtin_profiles().values() if profile.text is not None]
    wrong = loose = 0
    for pair in PAIRS:
        false, taken = _one_pair(_sent(rng, lines), pair, profiles)
        wrong, loose = wrong + false, loose + taken
    told = [_told(pair, profile) for pair in PAIRS for profile in (profile_of(), None)]
    hints, named = sum(one.hint_s <= 10.5 for one in told), [one.named_s for one in told if one.named_s < float("inf")]
    false = sum(one.false for one in told)
    total = lines * len(PAIRS) * 2
    figures = f"{wrong + false} false readings of {total} lines in {len(profiles)} profiles"
    figures += f"; hint within 10 s for {hints}/{len(told)}, the right speed named for {len(named)}/{len(told)}"
    figures += f" within {max(named, default=0.0):.0f} s"
    held = wrong + false == 0 and hints == len(named) == len(told)
    return Outcome(held, figures, f"find-a-number took {loose} of {total}", loose > 0)


def _one_pair(lines: list[bytes], pair: tuple[int, int], profiles: list[Profile]) -> tuple[int, int]:
    """False readings over all profiles, and lines a loose parser took."""
    bursts = [heard(line, *pair) for line in lines]
    run = heard(b"".join(lines), *pair)
    frames = [frame.data for frame in LineFramer(joined=True).feed(b"".join(bursts) + b"\n" + run)]
    # harder than life: each burst is also tried as if it had ended in a terminator
    tried = [piece.strip() for piece in frames + bursts]
    wrong = sum(parse_line(profile, piece).kind is not Kind.FAULT for profile in profiles for piece in tried)
    loose = sum(LOOSE.search(burst) is not None for burst in bursts)
    return wrong, loose + sum(LOOSE.search(piece) is not None for piece in run.split(b"\n"))


class _Wire(Cable):
    """One line a second, each heard at the speed that is set when it is due."""

    def __init__(self, clock: VirtualClock, lines: list[bytes], pair: tuple[int, int]) -> None:
        super().__init__(clock, [])
        self._lines, (self._sent_baud, self._read_baud) = iter(enumerate(lines)), pair

    def read(self, timeout_s: float) -> bytes:
        """The next line, if it is due within the time."""
        if not self.script:
            self.script += [(float(n), line) for n, line in islice(self._lines, 1)]
        data = super().read(timeout_s)
        return heard(data, self._sent_baud, self._read_baud) if data else b""

    def set_speed(self, baud: int) -> bool:
        """Read at another speed."""
        self._read_baud = baud
        return True


@dataclass(frozen=True, slots=True)
class _Told:
    """Seconds until the hint and until the right speed was named (inf: never), and readings believed meanwhile."""

    hint_s: float
    named_s: float
    false: int


def _told(pair: tuple[int, int], profile: Profile | None) -> _Told:
    """A link set to the wrong speed of the pair for two minutes, one line a second; ``profile`` None: it finds one."""
    sent_baud, set_baud = pair
    clock, rng = VirtualClock(), random.Random(sent_baud)
    lines, began_s = _sent(rng, 120), clock.now_s

    wire = _Wire(clock, lines, pair)
    link = MeterLink("virtual", profile, baud=set_baud, clock=clock, opener=lambda url, settings: wire)
    happened = poll_for(link, clock, 120.0)
    told = events(happened, LinkState.GARBAGE)
    named = [event.monotonic_s - began_s for event in told if f"--baud {sent_baud}" in event.detail]
    hint_s = told[0].monotonic_s - began_s if told else float("inf")
    return _Told(hint_s, named[0] if len(named) == 1 else float("inf"), len(believed(happened)))
