"""The report of a commissioning: what it says, as one HTML file that needs nothing else, or as PDF.

The library that makes PDF is an extra, and loaded only when one is made.
"""

import importlib.util
import json
from html import escape
from io import BytesIO
from typing import Any

from dustcake.commissioning.observation import Equipment
from dustcake.commissioning.procedure import StepState, state_of
from dustcake.commissioning.record import Record, RecordedAction, is_as_signed
from dustcake.commissioning.steps import SIGN, all_steps
from dustcake.core.record import record
from dustcake.publish.wording import label, number
from dustcake.units import show_with_pa

Pairs = tuple[tuple[str, str], ...]
"""Names, and what is said under each."""

STATES = {
    StepState.OPEN: "not done",
    StepState.UNDER_WAY: "not finished",
    StepState.FAILED: "failed",
    StepState.PASSED: "passed",
    StepState.SKIPPED: "left out",
}
_AMPERES = "_a"
_APART = ("settings", "candidates", "registers", "changes", "rule")


@record
class Line:
    """One entry: when, by whom, how it ended, and the values behind it."""

    utc: str
    by: str
    result: str
    words: str
    values: str
    settings: str


@record
class Chapter:
    """One step."""

    title: str
    state: str
    checks: str
    lines: tuple[Line, ...]


@record
class Report:
    """The whole. ``facts``: at its head; ``signature``: at its end."""

    title: str
    facts: Pairs
    chapters: tuple[Chapter, ...]
    signature: Pairs


def report(equipment: Equipment, history: Record) -> Report:
    """The report of this record."""
    steps = [step for step in all_steps(equipment) if step.name != SIGN.name]
    chapters = tuple(
        Chapter(
            f"{number}. {step.title}",
            STATES[state_of(step, history)],
            step.checks,
            tuple(_line(equipment, entry) for entry in history.of(step.name)),
        )
        for number, step in enumerate(steps, start=1)
    )
    facts = (
        ("Collector", history.collector),
        ("Site", history.site),
        ("Begun", f"{history.begun_utc or _NO_TIME} by {history.begun_by}"),
        (
            "Span of the dP transmitter",
            " to ".join(map(str, equipment.collector.transmitter.span)),
        ),
        ("Steps", _summary(chapters)),
    )
    title = f"Commissioning of {history.collector}"
    return Report(title, facts, chapters, _signature(history))


_NO_TIME = "time not known"


def _summary(chapters: tuple[Chapter, ...]) -> str:
    counts = {name: sum(one.state == name for one in chapters) for name in STATES.values()}
    return ", ".join(f"{count} {name}" for name, count in counts.items() if count)


def _line(equipment: Equipment, entry: RecordedAction) -> Line:
    values = "; ".join(
        f"{label(name.removesuffix(_AMPERES))}: {_shown(equipment, name, value)}"
        for name, value in {**entry.fields, **entry.values}.items()
        if name not in _APART and not (value is None or value is True or value == [])
    )
    settings = str(entry.values.get("settings", ""))
    utc = entry.utc or _NO_TIME
    return Line(utc, entry.by, entry.result.value, entry.words, values, settings)


def _shown(equipment: Equipment, name: str, value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return _number(equipment, name, value)
    if isinstance(value, list):
        return "; ".join(map(str, value))
    return value if isinstance(value, str) else json.dumps(value)


def _number(equipment: Equipment, name: str, value: float) -> str:
    is_header = "header" in name
    if name == "manometer" or (name.endswith("_pa") and not is_header):
        return show_with_pa(value, equipment.unit)
    if name.endswith(_AMPERES):
        return f"{value:g} A"
    return number(name, value, equipment.unit, is_header=is_header)


def _signature(history: Record) -> Pairs:
    signature = history.signature
    if signature is None:
        return (("Signed", "not yet"),)
    matches = "fits the record" if is_as_signed(history) else "DOES NOT FIT: changed after signing"
    return (
        ("Signed", signature.name),
        ("User", signature.by),
        ("At", signature.utc or _NO_TIME),
        ("SHA-256 of the record", f"{signature.sha256} ({matches})"),
        ("What it is", "a typed name, a time and a digest; no legal statement is made by it"),
    )


# --- as HTML

_STYLE = """
body { font: 15px/1.45 system-ui, "DejaVu Sans", sans-serif; max-width: 60rem; margin: 2rem auto;
  padding: 0 1rem; color: #16212e; background: #fff; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.15rem; margin: 2rem 0 .3rem; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .2rem 1rem; }
dt { color: #4a5563; } dd { margin: 0; overflow-wrap: anywhere; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: .35rem .6rem .35rem 0;
  border-bottom: 1px solid #c9c2b3; }
th:nth-child(1) { width: 13rem; } th:nth-child(2) { width: 5.5rem; } table { table-layout: fixed; }
td { overflow-wrap: anywhere; } .small, td.when { font-size: .875rem; color: #4a5563; }
.failed { font-weight: 700; color: #8f1d14; } pre { margin: .3rem 0; white-space: pre-wrap; }
section { break-inside: avoid-page; }
"""


def to_html(content: Report) -> str:
    """The report; whatever came from outside is escaped."""
    return "\n".join(
        (
            "<!doctype html>",
            '<html lang="en"><head><meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{escape(content.title)}</title><style>{_STYLE}</style></head><body><main>",
            f"<h1>{escape(content.title)}</h1>",
            _pairs(content.facts),
            *map(_chapter, content.chapters),
            "<section><h2>Signature</h2>",
            _pairs(content.signature),
            "</section></main></body></html>",
            "",
        )
    )


def _pairs(pairs: Pairs) -> str:
    items = "".join(f"<dt>{escape(name)}</dt><dd>{escape(text)}</dd>" for name, text in pairs)
    return f"<dl>{items}</dl>"


def _chapter(chapter: Chapter) -> str:
    head = (
        f"<section><h2>{escape(chapter.title)}: {escape(chapter.state)}</h2>"
        f'<p class="small">{escape(chapter.checks)}</p>'
    )
    if not chapter.lines:
        return f"{head}</section>"
    rows = "".join(map(_row, chapter.lines))
    names = "".join(f'<th scope="col">{name}</th>' for name in ("When and who", "Result", "Found"))
    return f"{head}<table><thead><tr>{names}</tr></thead><tbody>{rows}</tbody></table></section>"


def _row(line: Line) -> str:
    settings = f"<pre>{escape(line.settings)}</pre>" if line.settings else ""
    more = f'<p class="small">{escape(line.values)}</p>' if line.values else ""
    result = escape(line.result)
    return (
        f'<tr><td class="when">{escape(line.utc)}<br>{escape(line.by)}</td>'
        f'<td class="{result}">{result}</td><td>{escape(line.words)}{more}{settings}</td></tr>'
    )


# --- as PDF


class MissingExtraError(Exception):
    """The library that makes PDF is not installed; the message says what to do."""


def to_pdf(content: Report) -> bytes:
    """The report. Raises MissingExtraError."""
    if importlib.util.find_spec("reportlab") is None:
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
        for chapter in content.chapters:
            parts += self._chapter(chapter)
        parts += [self._text("Signature", self.head), self._pairs(content.signature)]
        return parts

    def _text(self, text: str, style: Any) -> Any:
        from reportlab.platypus import Paragraph

        return Paragraph(escape(text).replace("\n", "<br/>"), style)

    def _pairs(self, pairs: Pairs) -> Any:
        rows = [[self._text(name, self.small), self._text(text, self.body)] for name, text in pairs]
        return self._table(rows, (0.25, 0.75))

    def _chapter(self, chapter: Chapter) -> list[Any]:
        parts = [
            self._text(f"{chapter.title}: {chapter.state}", self.head),
            self._text(chapter.checks, self.small),
        ]
        if chapter.lines:
            rows = [self._row(line) for line in chapter.lines]
            parts.append(self._table(rows, (0.24, 0.1, 0.66)))
        return parts

    def _row(self, line: Line) -> list[Any]:
        found = [self._text(line.words, self.body)]
        found += [self._text(text, self.small) for text in (line.values, line.settings) if text]
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
