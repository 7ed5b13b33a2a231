"""The kinds of records people keep, and their fields: one table that options, questions and files all follow."""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch.chemistry.resin import ResinKind
from rinsewatch.logbook import values
from rinsewatch.logbook.values import Reader, Value

MIXED = "mixed bed"


@dataclass(frozen=True, slots=True)
class Field:
    """One field. ``needed``: a record without it is refused; ``asked``: a person is asked for it on a terminal.

    ``words``: what it is, for help and questions; ``refers``: it names an item of that kind and is kept as its number.
    """

    name: str
    read: Reader
    words: str
    needed: bool = False
    asked: bool = True
    refers: str = ""

    @property
    def option(self) -> str:
        """Its name on the command line."""
        return "--" + self.name.replace("_", "-")


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of record; ``many``: its plural; ``label``: the field that names an item, "" if only its number does."""

    name: str
    many: str
    label: str
    words: str
    fields: tuple[Field, ...]

    @property
    def spoken(self) -> tuple[str, str]:
        """What people call one of them, and several."""
        before = {"run": "service ", "summary": "rinse "}.get(self.name, "")
        return before + self.name, before + self.many

    def field(self, name: str) -> Field | None:
        """The field of this name, spelt with - or _; None if there is none."""
        wanted = name.strip().lower().replace("-", "_").replace(" ", "_")
        return next((field for field in self.fields if field.name == wanted), None)


_REMARK = Field("remark", values.read_text, "anything else", asked=False)
_RESIN_OF = Field("resin", values.read_line, "the resin's name", needed=True, refers="resin")
_CYCLE = Field("cycle", values.read_number, "which cycle of the resin, from 1; left out: by the dates", asked=False)
_FACTOR = Field("tds_factor", values.read_factor, "ppm per uS/cm of this meter: 0.5, 0.64 or 0.7", asked=False)
_RESIN_KINDS = values.one_of(
    MIXED, *ResinKind, short={"mixed": MIXED, "cation": ResinKind.STRONG_ACID, "anion": ResinKind.STRONG_BASE_1}
)
_RESIDUES = values.one_of("NaOH", "HCl", "salt")
_INDICATOR = values.one_of("as new", "turned", "faded")

RESIN = Kind(
    "resin", "resins", "name", "A bed of resin whose life is followed.",
    (
        Field("name", values.read_line, "its name, as in 'watch --batch'", needed=True),
        Field("volume_ml", values.read_volume_ml, "settled wet volume, mL (or '1.5 L')", needed=True),
        Field("kind", _RESIN_KINDS, f"{MIXED}, {', '.join(ResinKind)}", needed=True),
        Field("new", values.read_date, "the day it was new"),
        Field("discard_share", values.read_share, "discard below this share of its first capacity, like '70 %'"),
        _REMARK,
    ),
)  # fmt: skip
BATCH = Kind(
    "batch", "batches", "name", "One regeneration: separation, regenerants, rinses.",
    (
        Field("name", values.read_line, "its name", needed=True),
        _RESIN_OF,
        Field("date", values.read_date, "the day of the regeneration", needed=True),
        _CYCLE,
        Field("separation", values.read_text, "how the two resins were parted, and how well"),
        Field("caustic", values.read_amount, "caustic used, like '120 g NaOH' or '3 eq'"),
        Field("acid", values.read_amount, "acid used, like '110 g HCl' or '3 eq'"),
        Field("rinses", values.read_numbers, "numbers of its recorded rinses, like '3, 4'"),
        _REMARK,
    ),
)  # fmt: skip
RUN = Kind(
    "run", "runs", "", "A service run: water made between two changes.",
    (
        _RESIN_OF,
        _CYCLE,
        Field("installed", values.read_date, "the day it was put in", needed=True),
        Field("removed", values.read_date, "the day it was taken out"),
        Field("litres", values.read_litres, "litres treated"),
        Field("counter_from", values.read_counter, "or: the water meter's count when put in, L", asked=False),
        Field("counter_to", values.read_counter, "and its count when taken out, L", asked=False),
        Field("feed", values.read_feed, "the feed water's reading, like '9 ppm', or unknown", needed=True),
        Field("change", values.read_reading, "the treated water's reading at the change"),
        _FACTOR,
        Field("indicator", _INDICATOR, "the indicator's colour at the change: as new, turned, faded"),
        _REMARK,
    ),
)  # fmt: skip
NOTE = Kind(
    "note", "notes", "", "A note.",
    (
        Field("text", values.read_text, "what to remember", needed=True),
        Field("date", values.read_date, "the day it is about", asked=False),
        Field("about", values.read_line, "the resin it is about", refers="resin", asked=False),
    ),
)  # fmt: skip
SUMMARY = Kind(
    "summary", "summaries", "", "What a rinse came to: written by the program, or by you for an earlier one.",
    (
        Field("resin", values.read_line, "the resin's name", refers="resin"),
        _CYCLE,
        Field("rinse", values.read_number, "number of the recorded rinse", asked=False),
        Field("date", values.read_date, "the day of the rinse", needed=True),
        Field("residue", _RESIDUES, "what was rinsed out: NaOH, HCl, salt", needed=True),
        Field("resin_ml", values.read_volume_ml, "settled volume of what was rinsed, mL", needed=True),
        Field("endpoint", values.read_line, "where it was to end: feed, zero, or a reading"),
        Field("endpoint_ml", values.read_volume_ml, "rinse water until that was reached, mL"),
        Field("used_ml", values.read_volume_ml, "rinse water used in all, mL"),
        Field("slow_share", values.read_ratio, "slowly exchanging liquid per volume of resin", asked=False),
        Field("entrained_share", values.read_ratio, "mobile liquid per volume of resin", asked=False),
        Field("floor", values.read_reading, "where the filtrate ended or would have ended", asked=False),
        Field("water", values.read_reading, "the rinse water's reading", asked=False),
        Field("feed", values.read_reading, "the feed water's reading", asked=False),
        _FACTOR,
        Field("next_step", values.read_text, "what comes next with this resin", asked=False),
        _REMARK,
    ),
)  # fmt: skip
KINDS = {kind.name: kind for kind in (RESIN, BATCH, RUN, NOTE, SUMMARY)}


def kind_named(word: str) -> Kind | None:
    """The kind called so, in the singular or plural; None if there is none."""
    wanted = word.strip().lower()
    return next((kind for kind in KINDS.values() if wanted in (kind.name, kind.many)), None)


def single_kind(kind: Value) -> ResinKind | None:
    """A bed's kind as chemistry knows it; None for a mixed bed."""
    return None if kind == MIXED else ResinKind(str(kind))
