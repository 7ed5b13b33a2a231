"""Fuzz campaign: lines in the language of each shipped text profile, streams of bytes cut anyhow."""

from __future__ import annotations

import random

from rinsewatch.cli.bench_fault_cable import LOOSE
from rinsewatch.cli.bench_fuzz_core import Given, Tried
from rinsewatch.cli.bench_fuzz_mutate import bent
from rinsewatch.cli.bench_fuzz_oracle import Said, said_by
from rinsewatch_drivers.framing import MAX_FRAME_BYTES, Frame, FrameKind, LineFramer
from rinsewatch_drivers.profile import builtin_profiles
from rinsewatch_drivers.reading import Kind, Parsed, Quality
from rinsewatch_drivers.text import parse_frame, parse_line

PROFILES = ("plain-number", "key-value", "csv-columns", "json-lines", "polled-ascii")
_UNITS = ("uS/cm", "mS/cm", "ppm", "ppt", "uS", "mg/L", "us/cm", "g/l", "\u00b5S/cm", "\u03bcS", "MS")
_CANONICAL = ("uS/cm", "mS/cm", "ppm", "ppt", "uS/cm", "ppm", "uS/cm", "ppt", "uS/cm", "uS/cm", "mS/cm")
_ALPHABET = b"0123456789012345.,+-eE uS/cmpCHOLDKECT=:;{}\"' \t>\xb5\xb0"


def valid_line(rng: random.Random, profile: str) -> tuple[bytes, tuple[float, str]]:
    """A line as a meter would write it, with its value and canonical unit."""
    decimals, place = rng.randint(0, 3), rng.randrange(len(_UNITS))
    number = f"{rng.choice((0, rng.random(), rng.random() * 20, rng.random() * 900)):.{decimals}f}"
    unit, warm = _UNITS[place], f"{rng.uniform(2, 60):.1f}"
    encoding = "latin-1" if unit.isascii() or ("\u00b5" in unit and rng.random() < 0.3) else "utf-8"
    line = _written(rng, profile, number, unit, warm).encode(encoding)
    return line, (float(number), _CANONICAL[place])


def _written(rng: random.Random, profile: str, number: str, unit: str, warm: str) -> str:
    some = rng.random()
    if profile == "key-value":
        pairs = [f"{rng.choice(('EC', 'COND', 'TDS'))}{rng.choice('=:')}{number} {unit}"]
        pairs += rng.sample([f"T={warm}", "N=7"], k=rng.randint(0, 2))
        rng.shuffle(pairs)
        return rng.choice((" ", ", ", ";")).join(pairs)
    if profile == "csv-columns":
        return f"{rng.randint(0, 9999)},{number},{unit},{warm if some < 0.8 else ''}"
    if profile == "json-lines":
        key = rng.choice(("value", "ec", "tds"))
        number = number if some < 0.9 else f'"{number}"'
        return f'{{"{key}": {number}, "unit": "{unit}", "temperature": {warm}}}'
    tail = f" {warm} C" if some < 0.6 else f" {warm}C OK" if some < 0.7 else ""
    return f"{number} {unit}{tail}"


def loose_number(line: bytes) -> float | None:
    """The control: any number in the text."""
    match = LOOSE.search(line)
    return None if match is None else float(match[0])


def judged(profile: str, line: bytes, parsed: Parsed) -> Tried:
    """What the driver made of a line, beside what the line says."""
    loose = loose_number(line)
    if parsed.value is None and parsed.kind is not Kind.VALUE and loose is None:
        return Tried(accepted=parsed.kind is not Kind.FAULT)
    ways = said_by(profile, line)
    fooled = loose is not None and all(loose != way.value for way in ways)
    return Tried(parsed.kind is not Kind.FAULT, _false(parsed, ways), fooled=fooled)


def _false(parsed: Parsed, ways: list[Said]) -> str:
    if parsed.kind is not Kind.VALUE and parsed.value is None:
        return ""
    same = [way for way in ways if way.value == parsed.value and way.unit == parsed.unit]
    if not same:
        return f"read as {parsed.value} {parsed.unit}, it says {ways[0] if ways else 'no number'}"
    if parsed.quality is Quality.GOOD and not any(way.good for way in same):
        return f"{parsed.value} {parsed.unit} is trusted and should not be"
    return ""


class Lines:
    """Whole lines: as a meter writes them, bent ones, noise of fitting letters, noise."""

    name, weight, control = "lines", 560, "find a number in the text"

    def __init__(self) -> None:
        self._profiles = builtin_profiles()

    def make(self, rng: random.Random) -> Given:
        """A line and the profile to read it with."""
        profile, some = rng.choice(PROFILES), rng.random()
        if some < 0.1:
            return Given(profile, *valid_line(rng, profile))
        if some < 0.8:
            # now and then a line of another meter's language
            line, _ = valid_line(rng, profile if some < 0.75 else rng.choice(PROFILES))
            return Given(profile, bent(rng, line)[:MAX_FRAME_BYTES])
        if some < 0.92:
            return Given(profile, bytes(rng.choices(_ALPHABET, k=rng.randint(1, 24))))
        return Given(profile, rng.randbytes(rng.randint(0, MAX_FRAME_BYTES)))

    def look(self, given: Given) -> Tried:
        """Parse it; what was written without a fault must come out as it was."""
        parsed = parse_line(self._profiles[given.what], given.data)
        tried = judged(given.what, given.data, parsed)
        if given.truth is not None and (parsed.value, parsed.unit) != given.truth:
            tried.false = f"a sound line of {given.truth} was read as {parsed}"
        return tried

    def close(self) -> None:
        """Nothing is open."""


def framed(data: bytes) -> list[Frame]:
    """The frames of a whole stream, from the description: any of CR, LF, FF ends a line, 256 bytes are the most."""
    pieces = data.replace(b"\r", b"\n").replace(b"\f", b"\n").split(b"\n")
    found = []
    for place, piece in enumerate(pieces):
        if len(piece) > MAX_FRAME_BYTES:
            found.append(Frame(piece[:MAX_FRAME_BYTES], FrameKind.OVERLONG))
        elif piece:
            last, first = place == len(pieces) - 1, place == 0
            found.append(Frame(piece, FrameKind.CUT if last else FrameKind.FIRST if first else FrameKind.LINE))
    return found


class Streams:
    """4 kB of noise, or noise between lines, cut into random chunks, read by all text profiles."""

    name, weight, control = "streams", 25, "find a number in each line"
    size = 4096

    def __init__(self) -> None:
        self._profiles = builtin_profiles()

    def make(self, rng: random.Random) -> Given:
        """Half of them are nothing but noise."""
        cuts = str(rng.randrange(10**6))
        if rng.random() < 0.5:
            return Given(f"cuts {cuts}", rng.randbytes(self.size))
        data = b""
        while len(data) < self.size:
            line, _ = valid_line(rng, rng.choice(PROFILES))
            data += bent(rng, line) if rng.random() < 0.5 else line
            data += rng.choice((b"\n", b"\r\n", b"\r", b"\f", b"", rng.randbytes(rng.randint(0, 300))))
        return Given(f"cuts {cuts}", data[: self.size])

    def look(self, given: Given) -> Tried:
        """The frames must be those of the stream in one piece, and no profile may read what a line does not say."""
        rng, framer, frames, at = random.Random(given.what), LineFramer(), [], 0
        while at < len(given.data):
            size = rng.choice((1, 3, 17, 64, 300, 4096))
            frames += framer.feed(given.data[at : at + size])
            at += size
        frames += framer.cut()
        tried = Tried()
        if frames != framed(given.data):
            tried.false = f"framed as {[(f.kind.value, len(f.data)) for f in frames][:40]}"
        for frame in frames:
            self._read(frame, tried)
        return tried

    def _read(self, frame: Frame, tried: Tried) -> None:
        for profile in PROFILES:
            parsed = parse_frame(self._profiles[profile], frame)
            if frame.kind is not FrameKind.LINE:
                tried.false = tried.false or ("" if parsed.value is None else f"a {frame.kind} frame was read")
                continue
            one = judged(profile, frame.data, parsed)
            tried.accepted |= parsed.kind is Kind.VALUE
            tried.false = tried.false or (one.false and f"{profile}, {frame.data!r}: {one.false}")
            tried.fooled |= one.fooled

    def close(self) -> None:
        """Nothing is open."""
