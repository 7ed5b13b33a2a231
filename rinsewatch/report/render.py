"""A document as a file's bytes, by the kind of file."""

from __future__ import annotations

from rinsewatch.report.document import Document
from rinsewatch.report.page import page_html

KINDS = ("html", "pdf", "png", "svg")


def rendered(document: Document, kind: str) -> bytes:
    """The file; ``kind`` one of KINDS. The same document gives the same bytes."""
    from rinsewatch.report import figures

    if kind == "html":
        svgs = [figures.picture_svg(picture) for picture in document.pictures]
        return page_html(document, svgs).encode("utf-8")
    if kind == "pdf":
        from rinsewatch.report.paper import pdf_file

        return pdf_file(document)
    return figures.pictures_file(document, kind)
