"""What the tests of the reports share: a short invented rinse with everything in it, ways to make a report."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from rinsewatch.cli.main import run
from rinsewatch.logbook.csvfile import read_recording
from rinsewatch.logbook.settings import setup_from_settings
from rinsewatch.report.document import Document
from rinsewatch.report.render import rendered
from rinsewatch.report.rinsedoc import Origin, rinse_document
from rinsewatch.report.story import Story, tell

DEMO = Path(__file__).parents[1] / "data" / "demo-rinse.csv"
EVIL = "<script>alert('$x_1$')</script> \N{GRINNING FACE} & co"
# Portions by hand: over range, a slip that is struck, an undo, a probe in air, a silent meter.
ROUGH = f"""# resin_ml = 500
# portion_ml = 250
# residue = "HCl"
# endpoint = "12 uS/cm"
# batch = "{EVIL}"
time_s,reading,unit,temperature_c,rinse_ml,event
0,,,,0,"note: <b onclick=""x()"">{EVIL}</b>"
10,,,,250,portion
60,over,ppm,,250,
120,,,,500,portion
160,9000,ppm,,500,
200,,,,750,portion
240,40,ppm,,750,
250,,,,750,"note: struck row 7 (40 ppm)"
260,4400,ppm,,750,
300,,,,1000,portion
310,,,,750,undo
320,,,,1000,portion
360,2200,ppm,,1000,
365,0,ppm,,1000,
366,0,ppm,,1000,
420,2100,ppm,,1000,
430,,,,1000,fault: meter silent for 12 s
440,,,,1000,pause
450,,,,1000,resume
"""


@cache
def story_of(path: Path) -> Story:
    """The recording's rinse."""
    recording = read_recording(path, {})
    story = tell(list(recording.rows), setup_from_settings(recording.settings))
    assert story is not None
    return story


def document_of(path: Path, **origin: object) -> Document:
    """Its report."""
    settings = read_recording(path, {}).settings
    return rinse_document(story_of(path), Origin(name=path.name, settings=settings, **origin))  # type: ignore[arg-type]


@cache
def demo_document() -> Document:
    """The report of the recorded demonstration."""
    return document_of(DEMO)


@cache
def demo_file(kind: str) -> bytes:
    """The same as a file."""
    return rendered(demo_document(), kind)


def demo_page() -> str:
    """The same as a page."""
    return demo_file("html").decode("utf-8")


def rough(folder: Path) -> Path:
    """The rough rinse as a recording."""
    path = folder / "rough.csv"
    path.write_text(ROUGH, "utf-8")
    return path


def report(*arguments: object) -> int:
    """``rinsewatch report``; its exit code."""
    return run(["report", *map(str, arguments)])
