"""The report as PDF. The library is an extra, and loaded only here."""

import importlib.util
from html import escape
from io import BytesIO
from typing import Any

from dustcake.commissioning.report.content import Chapter, Line, Report


class MissingExtraError(Exception):
    """The library that makes PDF is not installed; the message says what to do."""


def can_make_pdf() -> bool:
    """Whether the extra `pdf` is installed."""
    return importlib.util.find_spec("reportlab") is not None


def to_pdf(content: Report) -> bytes:
    """The report. Raises MissingExtraError."""
    if not can_make_pdf():
        raise MissingExtraError(
            "a PDF needs the extra `pdf`, which is not installed; the report as HTML needs nothing"
        )
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.units import mm
    from reportlab.platypus import SimpleDocTemplate

    made = BytesIO()
    document = SimpleDocTemplate(
        made,
        pagesize=A4,
        title=content.title,
        leftMargin=18 * mm,
        rightMargin=18 * mm,
        topMargin=16 * mm,
        bottomMargin=18 * mm,
    )
    sheet = _Sheet()
    document.build(sheet.parts(content), onFirstPage=_foot, onLaterPages=_foot)
    return made.getvalue()


def _foot(canvas: Any, document: Any) -> None:
    canvas.setFont(_FONT, 8)
    canvas.drawString(51, 30, f"{document.title}, page {canvas.getPageNumber()}")


_WIDTH_MM = 169  # of a page of A4 between its margins
_FONT = "Vera"  # comes with the library, and has more than the letters of English


class _Sheet:
    """Paragraphs and tables in our styles."""

    def __init__(self) -> None:
        from reportlab.lib.styles import ParagraphStyle
        from reportlab.pdfbase import pdfmetrics
        from reportlab.pdfbase.ttfonts import TTFont

        for name, file in ((_FONT, "Vera.ttf"), (f"{_FONT}-Bold", "VeraBd.ttf")):
            pdfmetrics.registerFont(TTFont(name, file))
        self.body = ParagraphStyle("body", fontName=_FONT, fontSize=8.5, leading=11.5)
        self.small = ParagraphStyle(
            "small", self.body, fontSize=7.5, leading=10, textColor="#4a5563"
        )
        self.bold = ParagraphStyle("bold", self.body, fontName=f"{_FONT}-Bold")
        self.head = ParagraphStyle(
            "head", self.bold, fontSize=11, leading=14, spaceBefore=12, spaceAfter=3, keepWithNext=1
        )
        self.title = ParagraphStyle("title", self.bold, fontSize=16, leading=20, spaceAfter=8)

    def parts(self, content: Report) -> list[Any]:
        """All that follows one another on the pages."""
        parts = [self._text(content.title, self.title), self._pairs(content.facts)]
        for number, chapter in enumerate(content.chapters, start=1):
            parts += self._chapter(number, chapter)
        parts += [self._text("Signature", self.head), self._pairs(content.signature)]
        return parts

    def _text(self, text: str, style: Any) -> Any:
        from reportlab.platypus import Paragraph

        return Paragraph(escape(text).replace("\n", "<br/>"), style)

    def _pairs(self, pairs: tuple[tuple[str, str], ...]) -> Any:
        rows = [[self._text(name, self.small), self._text(text, self.body)] for name, text in pairs]
        return self._table(rows, (0.25, 0.75))

    def _chapter(self, number: int, chapter: Chapter) -> list[Any]:
        parts = [
            self._text(f"{number}. {chapter.title}: {chapter.state}", self.head),
            self._text(chapter.checks, self.small),
        ]
        if chapter.lines:
            rows = [self._row(line) for line in chapter.lines]
            parts.append(self._table(rows, (0.24, 0.1, 0.66)))
        return parts

    def _row(self, line: Line) -> list[Any]:
        found = [self._text(line.words, self.body)]
        values = "; ".join(f"{name}: {text}" for name, text in line.values)
        found += [self._text(text, self.small) for text in (values, line.settings) if text]
        style = self.bold if line.result == "failed" else self.body
        return [
            self._text(f"{line.utc}\n{line.by}", self.small),
            self._text(line.result, style),
            found,
        ]

    def _table(self, rows: list[list[Any]], shares: tuple[float, ...]) -> Any:
        from reportlab.lib.units import mm
        from reportlab.platypus import Table

        widths = [share * _WIDTH_MM * mm for share in shares]
        table = Table(rows, colWidths=widths, hAlign="LEFT")
        table.setStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("LINEBELOW", (0, 0), (-1, -1), 0.4, "#c9c2b3"),
            ]
        )
        return table
