"""Listen to a port whose meter is not known: the bytes, escaped, and which profiles fit them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rinsewatch_drivers.clock import Clock
from rinsewatch_drivers.errors import WireError
from rinsewatch_drivers.framing import Frame, FrameKind, LineFramer
from rinsewatch_drivers.modbus import ExceptionReply
from rinsewatch_drivers.modbus_source import ModbusClient
from rinsewatch_drivers.profile import Profile, builtin_profiles
from rinsewatch_drivers.reading import Kind, Parsed
from rinsewatch_drivers.sources import count_fits
from rinsewatch_drivers.text import parse_frame
from rinsewatch_drivers.transport import Transport

_LOOK_S = 0.25
_SAMPLE_BYTES = 256
_NAMED = {0x09: "\\t", 0x0A: "\\n", 0x0D: "\\r", 0x5C: "\\\\"}


def escape_bytes(data: bytes) -> str:
    """Bytes as printable ASCII: ``12.5\\r\\n``, ``\\x1b``; nothing in it can act on a terminal."""
    return "".join(_NAMED.get(b) or (chr(b) if 0x20 <= b < 0x7F else f"\\x{b:02x}") for b in data)


@dataclass(frozen=True, slots=True)
class ProfileFit:
    """How many of the whole lines fit a profile (a reading that lacks its unit counts half)."""

    name: str
    fits: float
    lines: int


@dataclass(frozen=True, slots=True)
class SniffReport:
    """What was heard: lines, escaped; profiles, best first; the last reading in the best."""

    seconds: float
    byte_count: int
    lines: tuple[str, ...]
    sample: str
    fits: tuple[ProfileFit, ...]
    last: Parsed | None

    @property
    def best(self) -> ProfileFit | None:
        """The profile most lines fit, if any line fits any."""
        return self.fits[0] if self.fits and self.fits[0].fits > 0 else None


def sniff(transport: Transport, seconds: float, clock: Clock, profiles: Sequence[Profile] | None = None) -> SniffReport:
    """Listen for ``seconds`` s and try each text profile that needs no question (None: the built-in ones).

    Sends nothing. Raises PortLost.
    """
    known = list(builtin_profiles().values()) if profiles is None else list(profiles)
    framer = LineFramer()
    frames: list[Frame] = []
    byte_count, sample = 0, b""
    deadline_s = clock.monotonic() + seconds
    while (left_s := deadline_s - clock.monotonic()) > 0:
        data = transport.read(min(left_s, _LOOK_S))
        byte_count += len(data)
        sample = (sample + data)[:_SAMPLE_BYTES]
        frames += framer.feed(data)
    return _report(seconds, byte_count, sample, frames, [p for p in known if p.text is not None])


def _report(
    seconds: float, byte_count: int, sample: bytes, frames: list[Frame], profiles: list[Profile]
) -> SniffReport:
    lines = [frame.data for frame in frames if frame.kind is FrameKind.LINE]
    # at equal fits the profile that only listens goes first
    fits = sorted(((count_fits(p, lines), p.poll is None, p) for p in profiles), key=lambda fit: (-fit[0], not fit[1]))
    shown = tuple(escape_bytes(frame.data) for frame in frames)
    ranked = tuple(ProfileFit(p.name, count, len(lines)) for count, _, p in fits)
    last = _last_reading(fits[0][2], lines) if fits and fits[0][0] > 0 else None
    return SniffReport(seconds, byte_count, shown, escape_bytes(sample), ranked, last)


def _last_reading(profile: Profile, lines: list[bytes]) -> Parsed | None:
    parsed = [parse_frame(profile, Frame(line)) for line in lines]
    return next((p for p in reversed(parsed) if p.kind is not Kind.FAULT), None)


@dataclass(frozen=True, slots=True)
class ProbeResult:
    """Whether a Modbus device answered, and how."""

    address: int
    answered: bool
    detail: str


def probe(transport: Transport, address: int, clock: Clock, *, baud: int = 9600) -> ProbeResult:
    """Ask a Modbus device for one register; only when the user asked for it, because it sends.

    Any proper answer counts, an exception too. Raises PortLost.
    """
    client = ModbusClient(transport, baud, 0.5, clock)
    detail = "no answer"
    for function in (3, 4):
        try:
            words = client.read_registers(address, function, 0, 1)
            return ProbeResult(address, True, f"function {function}: register 0 holds {words[0]}")
        except ExceptionReply as reply:
            return ProbeResult(address, True, f"function {function}: {reply}")
        except WireError as error:
            detail = f"function {function}: {error}"
    return ProbeResult(address, False, detail)
