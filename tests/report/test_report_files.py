"""``rinsewatch report``: kinds of file, the same bytes each time, places, errors in one line, speed."""

from __future__ import annotations

import json
import os
import re
import struct
import subprocess
import sys
import time
from datetime import date
from pathlib import Path

import pages
import pytest

from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.records import New, Records
from rinsewatch.logbook.settings import setup_from_settings
from rinsewatch.logbook.store import Logbook
from rinsewatch.report.figures import drawable
from rinsewatch.report.paper import block_lines, paged
from rinsewatch.report.render import KINDS, rendered
from rinsewatch.report.story import tell
from rinsewatch.rinse.row import Mark, Row

ROOT = Path(__file__).parents[2]
UTC = "2026-06-01T10:00:00.000Z"


def _book(path: Path) -> Logbook:
    """A logbook with a resin, a batch and one rinse of it, which was cut short."""
    settings = {
        "resin_ml": 500, "portion_ml": 500, "residue": "NaOH", "endpoint": "feed", "feed": "9 ppm",
        "rinse_water": "0 ppm",
    }  # fmt: skip
    book = Logbook.open(path)
    records = Records(book, date(2026, 6, 1))
    records.add([New("resin", {"name": "blue <i>", "volume_ml": "1 L", "kind": "mixed", "new": "2026-01-10"})], UTC)
    records.add([New("batch", {"name": "spring", "resin": "blue <i>", "date": "2026-05-30"})], UTC)
    with book.begin_rinse(settings, "spring", UTC) as writer:
        for portion, ppm in enumerate((6810, 2260, 790), start=1):
            rows = [
                Row(240.0 * portion - 190.0, 500.0 * portion, event="portion"),
                Row(240.0 * portion, 500.0 * portion, Mark.VALUE, float(ppm), "ppm", 0),
            ]
            writer.append_many([Entry(row=row, utc=UTC) for row in rows])
    return book


# ---- kinds of file ------------------------------------------------------------------------------------


def test_the_same_rinse_gives_the_same_bytes_in_another_process(tmp_path: Path) -> None:
    """Another hash seed, time zone and backend; the kinds in another order: nothing is left over."""
    environment = os.environ | {
        "PYTHONHASHSEED": "77", "TZ": "Asia/Tokyo", "SOURCE_DATE_EPOCH": "1", "MPLBACKEND": "svg",
        "PYTHONPATH": os.pathsep.join(str(ROOT / part) for part in (".", "drivers", "sim")),
    }  # fmt: skip
    code = "import sys; from rinsewatch.cli.main import run\n"
    code += "for out in sys.argv[2:]: run(['report', sys.argv[1], '--out', out])"
    outs = [tmp_path / f"demo.{kind}" for kind in reversed(KINDS)]
    words = [sys.executable, "-c", code, str(pages.DEMO), *map(str, outs)]
    subprocess.run(words, env=environment, capture_output=True, check=True, timeout=60)
    for kind in KINDS:
        assert (tmp_path / f"demo.{kind}").read_bytes() == pages.demo_file(kind), kind


def test_no_file_holds_the_day_it_was_made() -> None:
    this_year = time.strftime("%Y").encode()  # the demonstration's recording has no date of its own
    for kind in KINDS:
        made = pages.demo_file(kind)
        assert b"CreationDate" not in made and b"dc:date" not in made and b"tIME" not in made
        assert not re.search(rb"D:" + this_year + rb"|" + this_year + rb"-\d\d-\d\d", made)


def test_each_kind_is_what_its_ending_says() -> None:
    png, svg, pdf = (pages.demo_file(kind) for kind in ("png", "svg", "pdf"))
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", png[16:24])  # PNG specification, IHDR
    assert width == 1080 and height > 900  # 7.2 in at 150 dots
    assert svg.startswith(b"<?xml") and svg.rstrip().endswith(b"</svg>")
    assert pdf.startswith(b"%PDF-") and pdf.rstrip().endswith(b"%%EOF")
    assert len(re.findall(rb"/Type /Page\b", pdf)) == 3
    boxes = [[float(v) for v in box.split()] for box in re.findall(rb"/MediaBox \[([^\]]*)\]", pdf)]
    assert all(box[2:] == pytest.approx([595.4, 841.7], abs=0.1) for box in boxes)  # A4, ISO 216, in points


def test_the_users_own_matplotlib_settings_do_not_matter() -> None:
    import matplotlib

    before = pages.demo_file("svg")
    with matplotlib.rc_context({"font.size": 20, "lines.linewidth": 7, "svg.fonttype": "none"}):
        assert rendered(pages.demo_document(), "svg") == before
        assert matplotlib.rcParams["font.size"] == 20  # and are left as they were


def test_words_that_no_font_draws_become_question_marks() -> None:
    assert drawable("a\N{GRINNING FACE}\n樹 µ$x$\x07") == "a? ? µ$x$ "


def test_lines_of_the_pdf_fit_its_page() -> None:
    lines = [line for block in pages.demo_document().blocks for line in block_lines(block)]
    assert max(map(len, lines)) <= 106
    assert any(line.endswith("stop") and "4.80 L" in line for line in lines)
    assert [len(page) for page in paged(["a"] * 81 + [""] * 3)] == [80, 1 + 3]


# ---- the logbook --------------------------------------------------------------------------------------


def test_a_rinse_of_the_logbook(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _book(tmp_path / "book.sqlite").close()
    out = tmp_path / "rinse.html"
    assert pages.report(1, "--logbook", tmp_path / "book.sqlite", "--out", out) == 0
    assert capsys.readouterr().out == f"written: {out}\n"
    page = out.read_text("utf-8")
    assert "Rinse report: rinse 1, spring" in page and "begun 2026-06-01 10:00 UTC" in page
    assert "not finished" in page and "The endpoint was not reached" in page


def test_options_win_and_the_report_says_so(tmp_path: Path) -> None:
    _book(tmp_path / "book.sqlite").close()
    out = tmp_path / "rinse.html"
    assert pages.report(1, "--logbook", tmp_path / "book.sqlite", "--out", out, "--endpoint", "3 ppm") == 0
    page = out.read_text("utf-8")
    assert "Changed for this report" in page and "endpoint = 3 ppm" in page and "6.00 µS/cm" in page


def test_without_out_the_page_is_named_after_what_it_shows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    _book(tmp_path / "book.sqlite").close()
    assert pages.report("01", "--logbook", "book.sqlite") == 0
    assert pages.report(pages.DEMO) == 0
    assert pages.report("--resin", "blue <i>", "--logbook", "book.sqlite") == 0
    assert {path.name for path in tmp_path.glob("*.html")} == {"rinse-1.html", "demo-rinse.html", "resin-blue-i.html"}
    assert "<i>" not in (tmp_path / "resin-blue-i.html").read_text("utf-8")


# ---- bad input ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "say what to report"),
        (["1", "--resin", "blue <i>"], "one of them"),
        (["99"], "has no rinse 99"),
        (["0"], "has no rinse 0"),
        (["9" * 40], "9999"),
        (["nowhere.csv"], "nowhere.csv"),
        (["--resin", "blue <"], "did you mean 'blue <i>'"),
        (["--resin", "blue <i>", "--residue", "HCl"], "--residue describes a rinse"),
        (["1", "--out", "rinse.doc"], "end it in .html, .pdf, .png or .svg"),
        (["1", "--out", "rinse"], "end it in"),
        (["1", "--out", ""], "end it in"),
        (["folder.html", "--out", "x.html"], "folder.html: cannot be read"),
        (["1", "--out", "no/such/folder.html"], "there is no folder"),
        (["1", "--out", "there.html"], "exists already"),
        (["1", "--out", "folder.html"], "is a folder"),
        (["1", "--resin-ml", "500 ppm"], "--resin-ml"),
        (["empty.csv"], "empty.csv: it has no rows"),
    ],
)
def test_bad_input_gets_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], arguments: list[str], says: str
) -> None:
    monkeypatch.chdir(tmp_path)
    _book(tmp_path / "book.sqlite").close()
    (tmp_path / "there.html").write_text("mine", "utf-8")
    (tmp_path / "folder.html").mkdir()
    head = pages.DEMO.read_text("utf-8").split("\n0,")[0]
    (tmp_path / "empty.csv").write_text(head + "\n", "utf-8")
    assert pages.report(*arguments, "--logbook", "book.sqlite") == 2 + 2 * (says.startswith("has no"))
    said = capsys.readouterr()
    assert said.err.count("\n") == 1 and says in said.err and said.out == ""
    assert (tmp_path / "there.html").read_text("utf-8") == "mine"
    assert sorted(path.name for path in tmp_path.glob("*.html")) == ["folder.html", "there.html"]


def test_a_file_is_replaced_only_if_that_is_said(tmp_path: Path) -> None:
    out = tmp_path / "demo.html"
    out.write_text("mine", "utf-8")
    assert pages.report(pages.DEMO, "--out", out) == 2 and out.read_text("utf-8") == "mine"
    assert pages.report(pages.DEMO, "--out", out, "--overwrite") == 0
    assert out.read_text("utf-8") == pages.demo_page()
    assert [path.name for path in tmp_path.iterdir()] == ["demo.html"]


def test_the_recording_itself_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "rinse.svg"  # a recording may be called anything
    path.write_bytes(pages.DEMO.read_bytes())
    assert pages.report(path, "--out", path, "--overwrite") == 2
    assert path.read_bytes() == pages.DEMO.read_bytes()


# ---- speed --------------------------------------------------------------------------------------------


def test_help_and_other_commands_do_not_load_matplotlib() -> None:
    code = (
        "import sys, json; from rinsewatch.cli.main import run; run(['--help']); run(['report', '--help']);"
        "print(json.dumps([name for name in ('matplotlib', 'numpy', 'scipy') if name in sys.modules]))"
    )
    paths = os.pathsep.join(str(ROOT / part) for part in (".", "drivers", "sim"))
    done = subprocess.run(
        [sys.executable, "-c", code], env=os.environ | {"PYTHONPATH": paths}, capture_output=True, text=True, check=True
    )
    assert json.loads(done.stdout.splitlines()[-1]) == []


def test_a_long_rinse_is_drawn_with_few_points() -> None:
    """What the drawing costs does not grow with the readings; the replay does, and is the core's own cost."""
    from rinsewatch.report.rinsedoc import Origin, rinse_document

    settings = {"resin_ml": 500, "flow_ml_min": 60, "residue": "HCl", "endpoint": "12 uS/cm"}
    rows = [Row(s / 10.0, None, Mark.VALUE, round(9000.0 * 0.999**s + 1.0), "ppm", 0) for s in range(2500)]
    story = tell(rows, setup_from_settings(settings))
    assert story is not None
    story.readings.good[:] = [(249.0 * i / 100_000, 9e3 * 0.9999**i + 2.0 + i % 7) for i in range(100_000)]
    began = time.process_time()
    page = rendered(rinse_document(story, Origin(name="long", settings=settings)), "html")
    took = time.process_time() - began
    print(f"page of 100,000 readings: {took:.2f} s, {len(page) / 1000:.0f} kB")
    assert len(page) < 600_000
    assert took < 4.0
