"""The report of a commissioning: what it says, as one HTML file that needs nothing else, or as PDF.

The library that makes PDF is an extra, and loaded only when one is made.
"""

import importlib.util
from collections import Counter
from html import escape
from importlib import resources
from io import BytesIO
from string import Template
from typing import Any

from dustcake.commissioning.observation import Equipment
from dustcake.commissioning.procedure import RefusedError, StepState, not_tried, state_of
from dustcake.commissioning.record import Record, RecordedAction, is_as_signed
from dustcake.commissioning.steps import all_steps
from dustcake.core.record import record
from dustcake.publish.wording import label, number
from dustcake.units import show_with_pa

STATES = {
    StepState.OPEN: "not done",
    StepState.UNDER_WAY: "not finished",
    StepState.FAILED: "failed",
    StepState.PASSED: "passed",
    StepState.SKIPPED: "left out",
}
_AMPERES = "_a"
_APART = ("settings", "candidates", "registers", "changes", "rule")
_NO_TIME = "time not known"

Text = tuple[str, str]
"""A style (title, head, body, small, failed, lines), and what is said in it."""
Row = tuple[list[Text], ...]


@record
class Table:
    """Rows of cells, each of some texts. ``shares``: of the width, for each column."""

    shares: tuple[float, ...]
    rows: list[Row]
    heads: tuple[str, ...] = ()


@record
class Report:
    """The whole, in order."""

    title: str
    parts: list[Text | Table]


def report(equipment: Equipment, history: Record) -> Report:
    """The report of this record."""
    steps = all_steps(equipment)[:-1]
    states = [STATES[state_of(step, history)] for step in steps]
    counts = Counter(states)
    found = [f"{counts[one]} {one}" for one in STATES.values() if counts[one]]
    about = {
        "Collector": history.collector,
        "Site": history.site,
        "Begun": f"{history.begun_utc or _NO_TIME} by {history.begun_by}",
        "Span of the dP transmitter": " to ".join(map(str, equipment.collector.transmitter.span)),
        "Steps": ", ".join(found),
    }
    title = f"Commissioning of {history.collector}"
    parts: list[Text | Table] = [("title", title), _pairs(about)]
    for n, (step, state) in enumerate(zip(steps, states, strict=True), start=1):
        untried = not_tried(step, history)
        ended = f"{state}; not tried: {untried}" if untried else state
        parts += [("head", f"{n}. {step.title}: {ended}"), ("small", step.checks)]
        rows = [_row(equipment, entry) for entry in history.of(step.name)]
        if rows:
            parts.append(Table((0.24, 0.1, 0.66), rows, ("When and who", "Result", "Found")))
    parts += [("head", "Signature"), _pairs(_signature(history))]
    return Report(title, parts)


def _pairs(pairs: dict[str, str]) -> Table:
    rows: list[Row] = [([("small", name)], [("body", text)]) for name, text in pairs.items()]
    return Table((0.25, 0.75), rows)


def _row(equipment: Equipment, entry: RecordedAction) -> Row:
    """One entry: when, by whom, how it ended, and the values behind it."""
    result = entry.result.value
    found = [
        ("body", entry.words),
        ("small", _values(equipment, {**entry.fields, **entry.values})),
        ("lines", entry.values.get("settings", "")),
    ]
    return (
        [("small", entry.utc or _NO_TIME), ("small", entry.by)],
        [("failed" if result == "failed" else "body", result)],
        [(style, text) for style, text in found if text],
    )


def _values(equipment: Equipment, values: dict[str, Any]) -> str:
    """What was answered and measured; a yes goes without saying."""
    return "; ".join(
        f"{label(name.removesuffix(_AMPERES))}: {_shown(equipment, name, value)}"
        for name, value in values.items()
        if name not in _APART and value is not True and value not in (None, [])
    )


def _shown(equipment: Equipment, name: str, value: Any) -> str:
    is_header = "header" in name
    match value:
        case False:
            return "no"
        case list():
            return "; ".join(map(str, value))
        case str():
            return value
    if name == "manometer" or (name.endswith("_pa") and not is_header):
        return show_with_pa(value, equipment.unit)
    if name.endswith(_AMPERES):
        return f"{value:g} A"
    return number(name, value, equipment.unit, is_header=is_header)


def _signature(history: Record) -> dict[str, str]:
    signature = history.signature
    if signature is None:
        return {"Signed": "not yet"}
    matches = "fits the record" if is_as_signed(history) else "DOES NOT FIT: changed after signing"
    return {
        "Signed": signature.name,
        "User": signature.by,
        "At": signature.utc or _NO_TIME,
        "SHA-256 of the record": f"{signature.sha256} ({matches})",
        "What it is": "a typed name, a time and a digest; no legal statement is made by it",
    }


# --- as HTML

_TAGS = {"title": "h1", "head": "h2"}


def to_html(content: Report) -> bytes:
    """The report; whatever came from outside is escaped."""
    parts = [_table(one) if isinstance(one, Table) else _paragraph(*one) for one in content.parts]
    template = resources.files(__package__).joinpath("report.html").read_text(encoding="utf-8")
    page = Template(template).substitute(title=escape(content.title), body="\n".join(parts))
    return page.encode()


def _paragraph(style: str, text: str) -> str:
    tag = _TAGS.get(style, "p")
    return f'<{tag} class="{style}">{escape(text)}</{tag}>'


def _table(table: Table) -> str:
    widths = "".join(f'<col style="width: {share:.0%}">' for share in table.shares)
    heads = "".join(f'<th scope="col">{name}</th>' for name in table.heads)
    lines = [f"<table><colgroup>{widths}</colgroup><thead><tr>{heads}</tr></thead><tbody>"]
    for row in table.rows:
        cells = ("".join(_paragraph(*text) for text in cell) for cell in row)
        lines.append(f"<tr>{''.join(f'<td>{cell}</td>' for cell in cells)}</tr>")
    return "\n".join([*lines, "</tbody></table>"])


# --- as PDF

_WIDTH_MM = 169  # of a page of A4 between its margins
_FONT = "Vera"  # comes with the library, and has more than the letters of English


def to_pdf(content: Report) -> bytes:
    """The report. Raises RefusedError where the library that makes PDF is not installed."""
    if importlib.util.find_spec("reportlab") is None:
        raise RefusedError(
            "a PDF needs the extra `pdf`, which is not installed; the report as HTML needs nothing"
        )
    from reportlab.lib.units import mm
    from reportlab.platypus import Paragraph, SimpleDocTemplate
    from reportlab.platypus import Table as PdfTable

    styles = _pdf_styles()
    lines = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, "#c9c2b3"),
    ]

    def paragraph(style: str, text: str) -> Any:
        return Paragraph(escape(text).replace("\n", "<br/>"), styles[style])

    def table(one: Table) -> Any:
        heads = [[paragraph("small", name) for name in one.heads]] if one.heads else []
        rows = [[[paragraph(*text) for text in cell] for cell in row] for row in one.rows]
        widths = [share * _WIDTH_MM * mm for share in one.shares]
        return PdfTable([*heads, *rows], widths, style=lines, hAlign="LEFT", repeatRows=len(heads))

    made = BytesIO()
    sides = {"leftMargin": 18 * mm, "rightMargin": 18 * mm}
    document = SimpleDocTemplate(
        made, title=content.title, topMargin=16 * mm, bottomMargin=18 * mm, **sides
    )
    parts = [table(one) if isinstance(one, Table) else paragraph(*one) for one in content.parts]
    document.build(parts, onFirstPage=_foot, onLaterPages=_foot)
    return made.getvalue()


RENDER = {"html": to_html, "pdf": to_pdf}


def _foot(canvas: Any, document: Any) -> None:
    canvas.setFont(_FONT, 8)
    canvas.drawString(51, 30, f"{document.title}, page {canvas.getPageNumber()}")


def _pdf_styles() -> dict[str, Any]:
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    bold = f"{_FONT}-Bold"
    for name, file in ((_FONT, "Vera.ttf"), (bold, "VeraBd.ttf")):
        pdfmetrics.registerFont(TTFont(name, file))
    body = ParagraphStyle("body", fontName=_FONT, fontSize=8.5, leading=11.5)
    small = ParagraphStyle("small", body, fontSize=7.5, leading=10, textColor="#4a5563")
    failed = ParagraphStyle("failed", body, fontName=bold)
    head = ParagraphStyle(
        "head", failed, fontSize=11, leading=14, spaceBefore=12, spaceAfter=3, keepWithNext=1
    )
    title = ParagraphStyle("title", failed, fontSize=16, leading=20, spaceAfter=8)
    lines = ParagraphStyle("lines", small)
    return {style.name: style for style in (body, small, failed, head, title, lines)}
