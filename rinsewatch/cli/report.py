"""``rinsewatch report``: a rinse or a resin's life as a page or picture to keep."""

from __future__ import annotations

import click

from rinsewatch.cli.options import given_settings, logbook_option, rinse_options


@click.command(
    epilog="""\b
Examples:
  rinsewatch report 12                          rinse 12 of the logbook: rinse-12.html
  rinsewatch report 12 --out rinse.pdf
  rinsewatch report rinse.csv --out rinse.png
  rinsewatch report --resin blue --out blue.svg"""
)
@click.argument("what", metavar="[NUMBER | FILE.csv]", required=False)
@click.option("--resin", metavar="NAME", help="Instead of a rinse: the life of this resin.")
@click.option(
    "--out", metavar="FILE", help="Ends in .html, .pdf, .png or .svg (default: a page named after the rinse)."
)
@click.option("--overwrite", is_flag=True, help="Replace a file that exists.")
@rinse_options
@logbook_option
def command(
    what: str | None, resin: str | None, out: str | None, overwrite: bool, logbook_file: str | None, **values: object
) -> int:
    """Write a report: of rinse NUMBER of the logbook, of a recording FILE.csv, or of a resin's life.

    HTML is one page, complete in itself, to look at and to print. PDF holds pictures and words, PNG and SVG the
    pictures alone. The same rinse gives the same file, byte for byte. A rinse is run through the forecast again;
    options given here win over its own settings.
    """
    from rinsewatch.cli.reportrun import Wanted, run_report

    return run_report(Wanted(what, resin, out, overwrite, given_settings(values), logbook_file))
