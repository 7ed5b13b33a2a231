"""Fault bench: a meter that lies, one number at a time (rows M01-M20)."""

from __future__ import annotations

import itertools
from dataclasses import replace

from rinsewatch.cli import bench_fault_laid as laid
from rinsewatch.cli.bench_fault_campaign import Maker, Played, campaign, counts, naive_counts, play_answered
from rinsewatch.cli.bench_fault_rig import (
    Cable,
    Recording,
    Script,
    VirtualClock,
    believed,
    cable_link,
    events,
    poll_for,
    profile_of,
    readings,
)
from rinsewatch.cli.bench_fault_table import Bench, Outcome, fault
from rinsewatch.rinse.state import Verdict
from rinsewatch.rinse.verdict import DOUBTED, HIDDEN, LASTING
from rinsewatch.session.convert import shown_from_reading
from rinsewatch_drivers.reading import Kind, LinkState, Quality
from rinsewatch_drivers.text import parse_line

ENDPOINT = "no endpoint above 1.15 times the target"


def _campaign(bench: Bench, maker: Maker, mid: float | None = None) -> tuple[list[Played], Outcome]:
    """The fault on simulated rinses, the tool beside the plain thresholds."""
    played = campaign(maker, bench, mid)
    held = not any(one.false for one in played)
    return played, Outcome(held, counts(played), *naive_counts(played))


def _row(number: str, title: str, maker: Maker, inject: str) -> None:
    """A row that is a campaign and nothing else."""

    @fault(number, title, inject=f"{inject}; simulated rinses", must=ENDPOINT)
    def run(bench: Bench) -> Outcome:
        """False endpoints."""
        return _campaign(bench, maker)[1]


_row("M03", "unit changes in mid-rinse", laid.unit, "uS/cm to ppm or back by the rinse's own factor, 1 min")
_row("M05", "autorange step", laid.autorange, "ten times the display step from then on")
_row("M07", "bubble", laid.bubble, "x 0.05 for 1, 5 or 30 s")
_row("M10", "single spikes", laid.spikes, "x 30 and x 0.005, one reading in thirty")
_row("M11", "noise burst", laid.noise, "+-50 % for 5 min, a tenth negative")
_row("M15", "calibration changed in mid-rinse", laid.gain, "x 1.05 or / 1.05 from then on")
_row("M19", "repeated lines", laid.repeated, "each reading three times")
_row("M20", "warm-up", laid.warm_up, "from a twentieth up within 1 min")


@fault("M01", "frozen value", inject="the last digits for the rest; simulated rinses", must=f"doubted, {ENDPOINT}")
def frozen(bench: Bench) -> Outcome:
    """It must be seen while digits ought to change; a value frozen at the end is lost in the flat tail."""
    _, found = _campaign(bench, laid.frozen)
    early = _campaign(bench, laid.frozen, mid=0.4)[0]
    seen = sum(one.caught is not None for one in early)
    figures = f"{found.figures}; frozen at 40 % of the way: doubted in {seen} of {len(early)}"
    held = found.held and seen >= 0.9 * len(early) and not any(one.false for one in early)
    clean = sum("frozen" in one.causes for one in campaign(laid.clean, bench, 0.6))
    return Outcome(
        held and not clean, f"{figures}; called frozen in {clean} sound rinses", found.control, found.control_failed
    )


@fault(
    "M02",
    "over-range and error words",
    inject="OL, ----, Err, >1999, LO, empty and padded lines; a minute of words, simulated rinses",
    must="no number out of a word, none repeated, " + ENDPOINT,
)
def words(bench: Bench) -> Outcome:
    """Each word in the plain profile's language."""
    plain = profile_of()
    found = {word: parse_line(plain, word) for word in (b"OL uS/cm", b"----", b"Err", b">1999 uS/cm", b"LO", b"OL")}
    numbers = [word for word, parsed in found.items() if parsed.value is not None]
    over = [word for word, parsed in found.items() if parsed.kind is Kind.OVER]
    _, outcome = _campaign(bench, laid.over)
    figures = f"{len(numbers)} of {len(found)} words read as numbers, {len(over)} as over range; {outcome.figures}"
    return Outcome(outcome.held and not numbers and len(over) == 3, figures, outcome.control, outcome.control_failed)


@fault(
    "M04",
    "unit missing",
    inject="lines without a unit from the start, and from mid-rinse on",
    must="never a reading, told, verdict check within 10 s",
)
def no_unit(bench: Bench) -> Outcome:
    """A number without a unit has quality UNCERTAIN in the drivers; the session keeps it as bytes only."""
    lines = [b"%.1f uS/cm" % (900 - n) for n in range(20)] + [b"%.1f" % (880 - n) for n in range(20)]
    clock = VirtualClock()
    script: Script = [(float(n), line + b"\r\n") for n, line in enumerate(lines)]
    recording = Recording(bench.folder, clock)
    for item in poll_for(cable_link(clock, Cable(clock, script)), clock, 42.0):
        recording.take([item])
    ledger = recording.ledger(lines)
    state, told = recording.live.state, [event for event in recording.events() if "without its unit" in event]
    recording.close()
    check = state is not None and state.verdict is Verdict.CHECK
    held = ledger.balanced and ledger.flagged["no-unit"] == 20 and bool(told) and check
    return Outcome(held, f"20 lines without unit: {ledger.flagged['no-unit']} kept as bytes, check: {check}; {ledger}")


@fault(
    "X14",
    "no fault at all",
    inject="sound simulated rinses, five times as many as for each fault",
    must="every endpoint found, none above 1.15 times the target",
)
def sound(bench: Bench) -> Outcome:
    """What all the guards cost where there is nothing to guard against (line 14 of the score table)."""
    played = campaign(laid.clean, replace(bench, runs=5 * bench.runs))
    delays = sorted(one.delay_s for one in played if one.delay_s is not None)
    missed, false = [one for one in played if one.delay_s is None], [one.seed for one in played if one.false]
    if not delays:
        return Outcome(False, f"no endpoint found in {len(played)}")
    middle, ninth, last = (delays[min(int(share * len(delays)), len(delays) - 1)] for share in (0.5, 0.9, 1.0))
    figures = (
        f"{len(missed)} endpoints missed and {len(false)} false of {len(played)}; stop after the first filtrate that is"
    )
    figures += f" there and drained: median {middle:.0f} s, 90 % within {ninth:.0f} s, all within {last:.0f} s"
    if false:
        figures += f"; false were rinses {', '.join(map(str, false[:10]))}"
    if missed:
        answered = [play_answered(one.seed) for one in missed]
        seeds = ", ".join(str(one.seed) for one in missed)
        figures += f"; missed were rinses {seeds}; {answered.count(False)} of them stop rightly and"
        figures += f" {answered.count(True)} falsely once a person asked about the probe has confirmed it"
    return Outcome(not missed and not false, figures, *naive_counts(played))


@fault("M06", "dry probe", inject="0 for 1 min; simulated rinses", must=f"called dry, {ENDPOINT}")
def dry(bench: Bench) -> Outcome:
    """The one that looks like success."""
    played, found = _campaign(bench, laid.dry)
    called = sum("dry" in one.causes for one in played)
    return Outcome(found.held, f"{found.figures}; called dry in {called}", found.control, found.control_failed)


@fault(
    "M08",
    "probe back in the feed water",
    inject="3.0 uS/cm for 2 min or for ever; simulated rinses",
    must=f"held until it re-joins or is confirmed, {ENDPOINT}",
)
def swapped(bench: Bench) -> Outcome:
    """Anywhere, and where it hurts most: a third of the way."""
    anywhere, found = _campaign(bench, laid.feed_water)
    early, second = _campaign(bench, laid.feed_water, mid=0.35)
    held = found.held and second.held and all(one.caught is not None for one in early)
    return Outcome(held, f"{counts([*anywhere, *early])}", *naive_counts([*anywhere, *early]))


@fault(
    "M09",
    "temperature jump without a temperature channel",
    inject="+-10 C at 2 %/C from then on; simulated rinses",
    must="ends as not verified",
)
def temperature(bench: Bench) -> Outcome:
    """Not visible in one number: what one stops on by the meter's word alone must say so."""
    return _unverified(bench, laid.temperature)


@fault("M12", "slow drift", inject="-0.5 or -2 %/min all along; simulated rinses", must="ends as not verified")
def drift(bench: Bench) -> Outcome:
    """As above."""
    return _unverified(bench, laid.drift)


def _unverified(bench: Bench, maker: Maker) -> Outcome:
    """Stops are called not verified; a known water read then shows the fault, and a sound meter to be one."""
    played, found = _campaign(bench, maker)
    sound = [one for one in campaign(laid.clean, bench) if one.late is not None]
    stopped = [one for one in played if one.late is not None]
    silent = sum(one.verified[0] for one in stopped)
    fooled = sum(one.verified[1] and one.false for one in stopped)
    known = sum(one.verified[1] for one in sound)
    held = not silent and not fooled and known == len(sound) > 0
    figures = (
        f"{found.figures}; {len(stopped) - silent} of {len(stopped)} stops called not verified; with a known water "
        f"read then, {fooled} false ones called verified; sound rinses: {known} of {len(sound)} verified by it"
    )
    return Outcome(held, figures, found.control, found.control_failed)


@fault(
    "M13",
    "display coarser than the target's band",
    inject="steps of 5 uS/cm; simulated rinses",
    must=f"{ENDPOINT}, says that it cannot decide",
)
def coarse(bench: Bench) -> Outcome:
    """The whole rinse long."""
    played, found = _campaign(bench, laid.coarse, mid=0.0)
    told = sum(HIDDEN in one.causes for one in played)
    unsure = sum(one.late is None and not {HIDDEN, DOUBTED, LASTING} & one.causes for one in played)
    figures = f"{found.figures}; told in {told} that the steps hide the target, never stopped without a word: {unsure}"
    return Outcome(found.held and told > 0 and not unsure, figures, found.control, found.control_failed)


@fault(
    "M14",
    "auto-off",
    inject="silence from then on, for ever or 5 min; simulated rinses, and a line in virtual time",
    must=f"told at max(3 periods, 5 s), run stays open, {ENDPOINT}",
)
def off(bench: Bench) -> Outcome:
    """Two periods: 1 s and 4 s."""
    _, found = _campaign(bench, laid.silent)
    told = [_silence_s(1.0), _silence_s(4.0)]
    held = found.held and told[0] <= 5.5 and told[1] <= 12.5
    figures = f"told after {told[0]:.1f} s at a period of 1 s, {told[1]:.1f} s at 4 s; {found.figures}"
    return Outcome(held, figures)


def _silence_s(period_s: float) -> float:
    """From the last line to the event; inf if it is not told exactly once."""
    clock = VirtualClock()
    script: Script = [(n * period_s, b"%d.0 uS/cm\r\n" % (900 - n)) for n in range(20)]
    happened = poll_for(cable_link(clock, Cable(clock, script)), clock, 40 * period_s)
    told = events(happened, LinkState.SILENT)
    return told[0].monotonic_s - readings(happened)[-1].monotonic_s if len(told) == 1 else float("inf")


@fault(
    "M16",
    "odd numbers",
    inject="12,3  1.2e3  nan  inf  Arabic digits  -0.0  .5  5.  1_000  0x1F  and their like",
    must="only the declared grammar, nan and inf never a number",
)
def numbers(bench: Bench) -> Outcome:
    """Against Python's float(), which takes most of them."""
    odd = ["12,3", "1.2e3", "nan", "inf", "-inf", "Infinity", "٣٤٥", ".5", "5.", "1_000", "0x1F", "1 2", "+-3", "１２"]
    taken = [text for text in odd if parse_line(profile_of(), f"{text} uS/cm".encode()).value is not None]
    zero = parse_line(profile_of(), b"-0.0 uS/cm")
    loose = 0
    for text in odd:
        try:
            loose += float(text) is not None
        except ValueError:
            continue
    held = not taken and str(zero.value) == "0.0"
    return Outcome(
        held, f"{len(taken)} of {len(odd)} taken, -0.0 read as {zero.value}", f"float() took {loose}", loose > 0
    )


@fault(
    "M17",
    "the meter's own flags",
    inject="HOLD and BAT in a line's flag; hold, battery and error bits of a Modbus status word",
    must="hold: no reading; battery: uncertain; error: no reading",
)
def flags(bench: Bench) -> Outcome:
    """Text and Modbus alike."""
    from rinsewatch_drivers.modbus_source import judge_registers

    spec = profile_of("modbus-scaled").modbus
    assert spec is not None
    text = [parse_line(profile_of(), b"12.5 uS/cm " + flag).quality for flag in (b"HOLD", b"BAT", b"OK")]
    bits = [judge_registers(spec, (0, 1250), None, status).quality for status in (2, 4, 0)]
    wanted = [Quality.BAD, Quality.UNCERTAIN, Quality.GOOD]
    error = judge_registers(spec, (0, 1250), None, 1).value
    words = "/".join(quality.value for quality in text)
    return Outcome(text == bits == wanted and error is None, f"hold/battery/ok: {words} in text, the same in Modbus")


@fault(
    "M18",
    "the meter's own clock jumps",
    inject="a time column that runs backwards, jumps a year, is nonsense",
    must="stored, never used for time",
)
def own_clock(bench: Bench) -> Outcome:
    """Rinse times must be those of arrival."""
    shown = ["10:00:01", "09:59:00", "2031-01-01 00:00:00", "0", "10:00:05"] * 6
    lines = [f"{text},{900 - n}.0,uS/cm,24.8".encode() for n, text in enumerate(shown)]
    clock = VirtualClock()
    script: Script = [(float(n), line + b"\r\n") for n, line in enumerate(lines)]
    recording = Recording(bench.folder, clock)
    happened = poll_for(cable_link(clock, Cable(clock, script), profile_of("csv-columns")), clock, 32.0)
    recording.take(happened)
    times = [entry.row.time_s for entry in recording.entries() if entry.row.has_reading]
    ledger = recording.ledger(lines)
    recording.close()
    right = all(abs(after - before - 1.0) < 0.01 for before, after in itertools.pairwise(times))
    counted = sum(shown_from_reading(reading) is not None for reading in readings(happened))
    held = right and ledger.balanced and len(believed(happened)) >= 29
    return Outcome(held, f"{counted} readings, times those of arrival: {right}; {ledger}")
