"""The answers of ``plan`` as text, and what they mean. Errors name the option."""

from __future__ import annotations

from collections.abc import Mapping

from rinsewatch.chemistry.resin import Range
from rinsewatch.errors import QuantityError, UsageError
from rinsewatch.logbook.settings import parse_factor
from rinsewatch.planning.dose import USUAL_TIMES
from rinsewatch.planning.endpoints import Waters
from rinsewatch.planning.plan import Separator, Wants
from rinsewatch.planning.resins import ANION_EQ_L, CATION_EQ_L, USUAL_CATION_PCT, Resins, mixed_resins
from rinsewatch.planning.section import Display
from rinsewatch.planning.stock import Stock, Use, parse_stock
from rinsewatch.quantities import TDS_UNITS, Quantity, parse_reading, parse_volume_ml, reading_us_cm
from rinsewatch.rinse.setup import Endpoint

Answers = Mapping[str, str]
_EXAMPLES = {
    "resin_ml": "500",
    "feed": "'8 ppm'",
    "rinse_water": "'0 ppm'",
    "portion_ml": "250",
    "caustic": "'NaOH'",
    "acid": "'HCl 30 %'",
}


def missing_answers(answers: Answers) -> list[str]:
    """Names of what must still be said, in the order it is asked."""
    needed = set(_EXAMPLES)
    if answers.keys() & {"cation_ml", "anion_ml"}:
        needed.discard("resin_ml")
        needed -= {use for use, resin in (("acid", "cation_ml"), ("caustic", "anion_ml")) if resin not in answers}
    return [name for name in _EXAMPLES if name in needed and name not in answers]


def examples(names: list[str]) -> str:
    """How these would be said on the command line."""
    return ", ".join(f"--{name.replace('_', '-')} {_EXAMPLES[name]}" for name in names)


def check_given(answers: Answers) -> None:
    """Whether what was given can be read, whatever is still missing. Errors: as ``read_wants``."""
    read_wants({name: _EXAMPLES[name].strip("'") for name in missing_answers(answers)} | dict(answers))


def read_wants(answers: Answers) -> tuple[Wants, Display]:
    """What was answered, checked. Errors: UsageError, QuantityError."""
    factor = parse_factor(answers.get("tds_factor"))
    feed, water = parse_reading(answers["feed"], "--feed"), parse_reading(answers["rinse_water"], "--rinse-water")
    display = display_of(feed, water, factor)
    resins = read_resins(answers)
    name, value_us_cm = _endpoint(answers.get("endpoint", "feed"), factor)
    wants = Wants(
        resins=resins,
        waters=_waters(feed, water, factor),
        portion_ml=parse_volume_ml(answers["portion_ml"], "--portion-ml"),
        caustic=_stock(answers, Use.CAUSTIC),
        acid=_stock(answers, Use.ACID),
        separator=_separator(answers.get("separate"), mixed=resins.mixed),
        caustic_pct=_optional_pct(answers, "caustic_pct"),
        acid_pct=_optional_pct(answers, "acid_pct"),
        dose=number(answers["dose"], "--dose", "3", positive=True) if "dose" in answers else USUAL_TIMES,
        liquor_ml=_optional_volume(answers, "liquor_ml"),
        container_ml=_optional_volume(answers, "container_ml"),
        temperature_c=number(answers.get("temperature", "20"), "--temperature", "22", unit="C"),
        endpoint=name,
        endpoint_us_cm=value_us_cm,
    )
    return wants, display


def read_resins(answers: Answers) -> Resins:
    """Mixed, or one or two resins that are apart. Errors: UsageError, QuantityError."""
    apart = [name for name in ("cation_ml", "anion_ml") if name in answers]
    capacities = (_capacity(answers, "cation", CATION_EQ_L), _capacity(answers, "anion", ANION_EQ_L))
    if "resin_ml" in answers:
        if apart:
            raise UsageError("give --resin-ml (a mixed bed) or --cation-ml and --anion-ml (already apart), not both")
        share = number(answers["cation_share"], "--cation-share", "40", "%") if "cation_share" in answers else None
        resin_ml = parse_volume_ml(answers["resin_ml"], "--resin-ml")
        return mixed_resins(resin_ml, USUAL_CATION_PCT if share is None else share, *capacities)
    if "cation_share" in answers:
        raise UsageError("--cation-share belongs to a mixed bed (--resin-ml); the resins are given apart")
    volumes = {name: parse_volume_ml(answers[name], "--" + name.replace("_", "-")) for name in apart}
    return Resins(volumes.get("cation_ml", 0.0), volumes.get("anion_ml", 0.0), *capacities)


def number(text: str, option: str, example: str, unit: str = "", *, positive: bool = False) -> float:
    """A number with or without this unit behind it. Error: QuantityError naming the option."""
    bare = text.strip().removesuffix(unit).strip() if unit else text.strip()
    if unit == "C":
        bare = bare.removesuffix("°").strip()
    try:
        value = float(bare)
    except ValueError:
        raise QuantityError(f"{option}: cannot read {text!r}; write a number, like {example}") from None
    if positive and not value > 0.0:
        raise QuantityError(f"{option}: {text.strip()} must be more than 0, like {example}")
    return value


def display_of(feed: Quantity, water: Quantity, factor: float) -> Display:
    """The meter as its two readings show it: unit, and one digit."""
    unit = "ppm" if feed.unit in TDS_UNITS else "uS/cm"
    step = _step_us_cm((feed, water), factor) * (factor if unit == "ppm" else 1.0)
    return Display(unit, factor, float(f"{step:.3g}"))


def _waters(feed: Quantity, water: Quantity, factor: float) -> Waters:
    return Waters(
        reading_us_cm(feed.value, feed.unit, factor),
        reading_us_cm(water.value, water.unit, factor),
        _step_us_cm((feed, water), factor),
    )


def _step_us_cm(readings: tuple[Quantity, ...], factor: float) -> float:
    return min(reading_us_cm(10.0**-one.decimals, one.unit, factor) for one in readings)


def _endpoint(text: str, factor: float) -> tuple[str, float | None]:
    try:
        endpoint = Endpoint.parse(text, factor)
    except UsageError as error:
        raise UsageError(f"--{error}") from None  # named as this command's option
    return endpoint.kind.value, endpoint.value_us_cm


def _separator(text: str | None, *, mixed: bool) -> Separator:
    if text is None:
        return Separator.CAUSTIC if mixed else Separator.NONE
    try:
        return Separator(text.strip().lower())
    except ValueError:
        raise UsageError(f"--separate: {text!r} is none of {', '.join(Separator)}") from None


def _stock(answers: Answers, use: Use) -> Stock | None:
    return parse_stock(answers[use], use) if use in answers else None


def _capacity(answers: Answers, resin: str, usual: Range) -> Range:
    name = f"{resin}_capacity"
    if name not in answers:
        return usual
    value = number(answers[name], f"--{resin}-capacity", f"{usual.middle:g}", "eq/L", positive=True)
    return Range(value, value)


def _optional_pct(answers: Answers, name: str) -> float | None:
    if name not in answers:
        return None
    return number(answers[name], "--" + name.replace("_", "-"), "6", "%", positive=True)


def _optional_volume(answers: Answers, name: str) -> float | None:
    return parse_volume_ml(answers[name], "--" + name.replace("_", "-")) if name in answers else None
