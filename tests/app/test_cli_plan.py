"""``rinsewatch plan`` from the outside: tables, JSON, sheet, plan file, errors, and the plan handed to watch."""

from __future__ import annotations

import html.parser
import json
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from rinsewatch.cli.main import run
from rinsewatch.cli.planfile import settings_from_plan
from rinsewatch.errors import UsageError

USUAL = {
    "--resin-ml": "500", "--feed": "8 ppm", "--rinse-water": "0 ppm", "--portion-ml": "250",
    "--caustic": "NaOH", "--acid": "HCl 30 %",
}  # fmt: skip


@pytest.fixture(autouse=True)
def in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("RINSEWATCH_DATA", str(tmp_path / "data"))
    monkeypatch.chdir(tmp_path)
    with open(os.devnull) as nothing:
        monkeypatch.setattr("sys.stdin", nothing)
        yield


def line(changes: dict[str, str | None] | None = None) -> list[str]:
    """The usual command line with options changed, or left out (None)."""
    options: dict[str, str | None] = {**USUAL, **(changes or {})}
    return ["plan", *(word for name, value in options.items() if value is not None for word in (name, value))]


def test_tables_fit_eighty_columns_and_say_what_matters(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(line()) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert max(len(row) for row in said.out.splitlines()) <= 80
    assert not any(row.endswith(" ") for row in said.out.splitlines())
    for words in (
        "175 g of solid NaOH",
        "1.164 g/mL",
        "121 mL (139 g) of 30 % HCl",
        "> feed",
        "break-even",
        "Cautions",
    ):
        assert words in said.out
    assert "…" not in said.out, "nothing is cut off"


def test_a_displayed_zero_is_explained_on_the_scale_of_the_meter(capsys: pytest.CaptureFixture[str]) -> None:
    """Half a step of 1 ppm is 1 uS/cm at 0.5 and 0.71 at 0.7; a probe in air shows 0 as well."""
    for factor, below in (("0.5", "below about 1 uS/cm"), ("0.7", "below about 0.71 uS/cm")):
        assert run(line({"--tds-factor": factor})) == 0
        said = " ".join(capsys.readouterr().out.split())
        assert f"A 0 on this meter can be: water {below}" in said
        assert "a probe in air, in a bubble or not fully dipped shows 0 as well" in said


@pytest.mark.parametrize("portion", ["5", "1 L"])
def test_long_counts_fit_too(capsys: pytest.CaptureFixture[str], portion: str) -> None:
    assert run(line({"--portion-ml": portion, "--resin-ml": "30 L" if portion == "1 L" else "500"})) == 0
    said = capsys.readouterr().out
    assert max(len(row) for row in said.splitlines()) <= 80
    assert "…" not in said


def test_without_utf8_all_of_it_is_ascii(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rinsewatch.cli.plantables.started_with", lambda _: {"LC_ALL": "C"})
    assert run(line()) == 0
    assert capsys.readouterr().out.isascii()


def test_json_is_one_object_with_the_figures(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*line(), "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan["separation"]["liquor"]["stock_g"] == pytest.approx(174.6)
    assert plan["separation"]["parting"] == "parts"
    assert plan["acid"]["times_need"] == pytest.approx([2.85, 3.167], abs=1e-3)
    assert [end["name"] for end in plan["anion_rinse"]["endpoints"]] == ["feed", "zero", "break-even"]
    assert plan["anion_rinse"]["endpoints"][0]["target_us_cm"] == 16.0
    water = [plan[part]["liquor"]["water_ml"] for part in ("separation", "acid")]  # the caustic is the same liquor
    assert plan["di_water_ml"]["liquors"] == pytest.approx(sum(water), rel=1e-5)
    counts = [plan[part]["endpoints"][0]["portions"] for part in ("anion_rinse", "cation_rinse")]
    poured = sum(count["di_water_ml"] for count in [*counts, plan["before_acid"]["portions"]])
    assert plan["di_water_ml"]["rinses"] == pytest.approx(poured)
    assert plan["di_water_ml"]["to_be_safe"] > plan["di_water_ml"]["likely"]
    assert plan["cautions"] and plan["warnings"]


def test_a_warning_in_json_says_which_regenerant_it_means(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*line({"--separate": "brine", "--dose": "5"}), "--json"]) == 0
    warnings = json.loads(capsys.readouterr().out)["warnings"]
    assert [words.partition(" times")[0] for words in warnings] == ["caustic: 5.0", "acid: 5.0"]


def test_the_feed_is_read_on_the_scale_of_the_meter(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*line({"--feed": "8 ppm", "--tds-factor": "0.7"}), "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan["anion_rinse"]["endpoints"][0]["target_us_cm"] == pytest.approx(8.0 / 0.7, rel=1e-5)


def test_resins_that_are_apart(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*line({"--resin-ml": None, "--anion-ml": "300", "--acid": None}), "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan["separation"] is plan["acid"] is plan["cation_rinse"] is None
    assert plan["caustic"]["liquor"]["pct"] == 5.0
    assert plan["caustic"]["times_need"][0] < 3.0 < plan["caustic"]["times_need"][1]


class Page(html.parser.HTMLParser):
    """Open tags that were never closed, and everything that would be loaded."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.loaded: list[str] = []
        self.sections = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.loaded += [value or "" for name, value in attrs if name in ("src", "href")]
        self.sections += tag == "section"
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_sheet_stands_alone(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*line(), "--sheet", "plan.html"]) == 0
    text = Path("plan.html").read_text("utf-8")
    page = Page()
    page.feed(text)
    assert page.open == [] and page.loaded == [] and page.sections == 10
    assert "http" not in text and "<script" not in text and "url(" not in text
    assert "@page" in text and "Cautions" in text and "goggles" in text
    assert "plan.html" in capsys.readouterr().out


def test_a_plan_is_handed_to_watch(capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is typed twice; an option on the command line wins; the record holds what was planned."""
    assert run([*line({"--tds-factor": "0.7"}), "--save", "plan.toml"]) == 0
    assert "rinsewatch watch --plan plan.toml" in capsys.readouterr().out
    watched = ["watch", "--port", "hand", "--plan", "plan.toml", "--residue", "HCl", "--portion-ml", "300", "--json"]
    assert run(watched) in (0, 130)
    capsys.readouterr()
    assert run(["logbook", "export", "1", "-"]) == 0
    head = [row for row in capsys.readouterr().out.splitlines() if row.startswith("# ")]
    for wanted in ("resin_ml = 200", "portion_ml = 300", 'residue = "HCl"', 'feed = "8 ppm"', "tds_factor = 0.7"):
        assert f"# {wanted}" in head, head


def test_a_flow_on_the_command_line_replaces_the_planned_portion(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*line(), "--save", "plan.toml"]) == 0
    watched = ["watch", "--port", "hand", "--plan", "plan.toml", "--residue", "NaOH", "--flow-ml-min", "50", "--json"]
    assert run(watched) in (0, 130)


def test_potash_is_watched_as_caustic(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*line({"--caustic": "KOH 45 %"}), "--save", "plan.toml"]) == 0
    assert settings_from_plan("plan.toml", "naoh")["residue"] == "NaOH"


def test_sulfuric_acid_is_worked_out_warned_about_and_watched_as_acid(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*line({"--acid": "battery acid 37 %"}), "--save", "my plan.toml", "--json"]) == 0
    said = capsys.readouterr()
    plan = json.loads(said.out)
    assert plan["acid"]["liquor"]["pct"] == 2.0 and plan["acid"]["liquor"]["stock_g"] == pytest.approx(151.1, rel=1e-3)
    assert any("calcium sulfate" in warning for warning in plan["warnings"])
    assert "--plan 'my plan.toml' --residue NaOH or HCl" in said.err
    assert settings_from_plan("my plan.toml", "hcl")["residue"] == "HCl"


def test_a_plan_of_one_rinse_needs_no_residue() -> None:
    assert run([*line({"--resin-ml": None, "--anion-ml": "2 L", "--acid": None}), "--save", "plan.toml"]) == 0
    assert settings_from_plan("plan.toml", None)["resin_ml"] == 2000


@pytest.mark.parametrize(
    ("text", "residue", "words"),
    [
        (None, "NaOH", "No such file"),
        ("[rinse.NaOH\n", "NaOH", "not a plan file"),
        ("x = 1\n", "NaOH", "there is no"),
        ("[rinse]\nNaOH = 3\n", "NaOH", "there is no"),
        ("[rinse.NaOH]\nresin = 3\n", "NaOH", "'resin', which is no setting"),
        ("[rinse.NaOH]\n[rinse.HCl]\n", None, "say which with --residue"),
        ("[rinse.NaOH]\n", "HCl", "no rinse of HCl, only of NaOH"),
    ],
)
def test_plan_files_that_are_none(text: str | None, residue: str | None, words: str) -> None:
    if text is not None:
        Path("plan.toml").write_text(text, "utf-8")
    with pytest.raises(UsageError, match=words) as caught:
        settings_from_plan("plan.toml", residue)
    assert "\n" not in str(caught.value)
    assert "plan.toml" in str(caught.value)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"--acid": None, "--feed": None}, "still missing: --feed '8 ppm', --acid 'HCl 30 %'"),
        ({"--resin-ml": None}, "still missing: --resin-ml 500"),
        ({"--resin-ml": "-5"}, "--resin-ml: '-5' must be more than 0"),
        ({"--resin-ml": "0"}, "must be more than 0"),
        ({"--anion-ml": "100"}, "not both"),
        ({"--feed": "8"}, "has no unit"),
        ({"--acid": "HCl 45 %"}, "does not exist"),
        ({"--caustic": "Ca(OH)2"}, "cannot regenerate"),
        ({"--acid": "H2SO4"}, "give its strength"),
        ({"--caustic": "HCl 30 %"}, "Never add strong acid to caustic"),
        ({"--cation-capacity": "5"}, "more than such resin can have"),
        ({"--anion-capacity": "many"}, "--anion-capacity: cannot read 'many'"),
        ({"--cation-share": "x"}, "--cation-share: cannot read 'x'"),
        ({"--cation-share": "0"}, "no mixed bed"),
        ({"--temperature": "70"}, "temperature: 70 C is outside"),
        ({"--temperature": "warm"}, "--temperature: cannot read 'warm'"),
        ({"--dose": "-1"}, "--dose: -1 must be more than 0"),
        ({"--acid-pct": "0"}, "--acid-pct: 0 must be more than 0"),
        ({"--caustic-pct": "inf"}, "more than dissolves"),
        ({"--dose": "nan"}, "--dose: nan must be more than 0"),
        ({"--endpoint": "soon"}, "--endpoint: 'soon' is none"),
        ({"--endpoint": "0 ppm"}, "cannot be reached"),
        ({"--separate": "magnet"}, "none of caustic, brine, no"),
        ({"--separate": "brine", "--resin-ml": None, "--cation-ml": "5", "--anion-ml": "5"}, "nothing is to be sep"),
        ({"--tds-factor": "3"}, "no TDS scale"),
        ({"--sheet": "x", "--save": "./x"}, "both x; give each a name"),
        ({"--sheet": "no/such/folder/x.html"}, "no/such/folder/x.html: there is no folder"),
    ],
)  # fmt: skip
def test_bad_input_is_one_clear_line(
    capsys: pytest.CaptureFixture[str], changes: dict[str, str | None], words: str
) -> None:
    assert run(line(changes)) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1 and lines[0].startswith("rinsewatch: "), lines
    assert words in lines[0]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"--resin-ml": "2"}, "very little resin"),
        ({"--feed": "0 ppm"}, "probe in air"),
        ({"--portion-ml": "1"}, "a 500th"),
    ],
)
def test_slips_are_warned_about(capsys: pytest.CaptureFixture[str], changes: dict[str, str | None], words: str) -> None:
    assert run(line(changes)) == 0
    assert words in capsys.readouterr().err


def test_files_are_not_replaced_unasked(capsys: pytest.CaptureFixture[str]) -> None:
    Path("plan.toml").write_text("mine", "utf-8")
    assert run([*line(), "--save", "plan.toml"]) == 2
    assert "--overwrite" in capsys.readouterr().err
    assert Path("plan.toml").read_text("utf-8") == "mine"
    assert run([*line(), "--save", "plan.toml", "--overwrite"]) == 0


def test_an_unfinished_rinse_keeps_its_settings(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["watch", "--continue", "--port", "hand", "--plan", "plan.toml"]) == 2
    assert "--plan: an unfinished rinse keeps" in capsys.readouterr().err
