"""The plan as one printable page: self-contained HTML, black on white, for A4 and Letter alike."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from rinsewatch.planning.section import Section, Table

_STYLE = """
@page { margin: 9mm; }
* { box-sizing: border-box; }
body { font: 7.6pt/1.25 "Helvetica Neue", Arial, "Liberation Sans", sans-serif; color: #000; background: #fff;
  margin: 0 auto; max-width: 196mm; }
h1 { font-size: 12pt; margin: 0 0 1mm; }
h1 small { font-weight: normal; font-size: 7.6pt; }
main { columns: 2; column-gap: 6mm; }
section { margin: 0 0 1.6mm; border-top: 0.8pt solid #000; padding-top: 0.6mm; }
h2 { font-size: 8.6pt; margin: 0; break-after: avoid; }
h2 .tick { display: inline-block; width: 2.6mm; height: 2.6mm; border: 0.8pt solid #000; margin-right: 1.2mm; }
p { margin: 0.5mm 0; orphans: 2; widows: 2; }
p.mind { border-left: 2pt solid #000; padding-left: 1.2mm; font-weight: bold; }
table { border-collapse: collapse; width: 100%; margin: 0.6mm 0; break-inside: avoid; }
caption { text-align: left; font-style: italic; }
th { border-bottom: 0.6pt solid #000; }
th, td { text-align: right; padding: 0 0 0 1mm; font-weight: normal; vertical-align: top; }
table.figures { font-size: 7.2pt; }
table.figures td { white-space: nowrap; }
th:first-child, td:first-child { text-align: left; padding-left: 0; white-space: nowrap; }
tr.chosen td { font-weight: bold; }
@media screen { body { padding: 6mm; max-width: 260mm; font-size: 10pt; } table.figures { font-size: 9.5pt; } }
"""


def sheet_html(sections: Sequence[Section], made_on: str) -> str:
    """The whole page; ``made_on``: the day, as text. Nothing is loaded from anywhere."""
    first, *steps, last = sections  # what must be on the bench comes before the work
    body = "\n".join(_section(section) for section in (first, last, *steps))
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Regeneration plan, {escape(made_on)}</title>
<style>{_STYLE}</style>
</head>
<body>
<h1>Regeneration plan <small>rinsewatch, {escape(made_on)}. Resin: ________________ Done by: ____________</small></h1>
<main>
{body}
</main>
</body>
</html>
"""


def _section(section: Section) -> str:
    tick = '<span class="tick"></span>' if section.title[:1].isdigit() else ""
    parts = [f"<h2>{tick}{_text(section.title)}</h2>"]
    parts += [f"<p>{_text(line)}</p>" for line in section.lines]
    parts += [_table(table) for table in section.tables]
    parts += [f'<p class="mind">! {_text(mind)}</p>' for mind in section.minds]
    return "<section>" + "\n".join(parts) + "</section>"


def _table(table: Table) -> str:
    caption = f"<caption>{_text(table.title)}</caption>" if table.title else ""
    head = "".join(f"<th>{_text(cell)}</th>" for cell in table.head)
    rows = "\n".join(_row(row, chosen=number == table.marked) for number, row in enumerate(table.rows))
    kind = "" if table.wraps else ' class="figures"'
    return f"<table{kind}>{caption}<thead><tr>{head}</tr></thead>\n<tbody>{rows}</tbody></table>"


def _row(cells: Sequence[str], *, chosen: bool) -> str:
    mark = "&#9654; " if chosen else ""
    shown = [_text(cell) for cell in cells]
    inner = "".join(f"<td>{cell}</td>" for cell in (mark + shown[0], *shown[1:]))
    return f'<tr class="chosen">{inner}</tr>' if chosen else f"<tr>{inner}</tr>"


def _text(words: str) -> str:
    return escape(words).replace("uS/cm", "µS/cm")
