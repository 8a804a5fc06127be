"""The report as one HTML file that needs nothing else."""

from html import escape

from dustcake.commissioning.report.content import Chapter, Line, Report

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
            *(_chapter(number, one) for number, one in enumerate(content.chapters, start=1)),
            "<section><h2>Signature</h2>",
            _pairs(content.signature),
            "</section></main></body></html>",
            "",
        )
    )


def _pairs(pairs: tuple[tuple[str, str], ...]) -> str:
    items = "".join(f"<dt>{escape(name)}</dt><dd>{escape(text)}</dd>" for name, text in pairs)
    return f"<dl>{items}</dl>"


def _chapter(number: int, chapter: Chapter) -> str:
    head = (
        f"<section><h2>{number}. {escape(chapter.title)}: {escape(chapter.state)}</h2>"
        f'<p class="small">{escape(chapter.checks)}</p>'
    )
    if not chapter.lines:
        return f"{head}</section>"
    rows = "".join(map(_row, chapter.lines))
    names = "".join(f'<th scope="col">{name}</th>' for name in ("When and who", "Result", "Found"))
    return f"{head}<table><thead><tr>{names}</tr></thead><tbody>{rows}</tbody></table></section>"


def _row(line: Line) -> str:
    values = "; ".join(f"{name}: {text}" for name, text in line.values)
    settings = f"<pre>{escape(line.settings)}</pre>" if line.settings else ""
    more = f'<p class="small">{escape(values)}</p>' if values else ""
    result = escape(line.result)
    return (
        f'<tr><td class="when">{escape(line.utc)}<br>{escape(line.by)}</td>'
        f'<td class="{result}">{result}</td><td>{escape(line.words)}{more}{settings}</td></tr>'
    )
