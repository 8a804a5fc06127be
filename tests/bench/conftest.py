"""Benchmarks print one table at the end of the run."""

from collections.abc import Callable

import pytest

Add = Callable[..., None]
_ROWS: list[tuple[str, str, str]] = []


@pytest.fixture
def row() -> Add:
    """Add a row: what was measured, the figure, and against what or within which limit."""

    def add(what: str, figure: str, against: str = "") -> None:
        _ROWS.append((what, figure, against))

    return add


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if not _ROWS:
        return
    terminalreporter.section("measures")
    widths = [max(len(line[i]) for line in _ROWS) for i in range(3)]
    for line in _ROWS:
        cells = (cell.ljust(width) for cell, width in zip(line, widths, strict=True))
        terminalreporter.write_line("  ".join(cells).rstrip())
