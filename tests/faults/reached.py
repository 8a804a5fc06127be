"""What a campaign has reached: a table of counts, and the cells that may not stay empty."""

import ast
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from types import CodeType

from dustcake.adapters import store
from dustcake.runtime import engine

Cell = tuple[str, str]

PACKAGE = Path(engine.__file__).parent.parent
SUSPENDING = tuple(
    PACKAGE / "runtime" / name
    for name in ("engine.py", "actuator.py", "request_service.py", "collector_service.py")
) + tuple(
    Path(store.__file__).parent / name for name in ("store.py", "journal_file.py", "outbox.py")
)
"""The modules at each of whose awaits a crash must have struck."""

REPLACED = ("CollectorService",)
"""Classes of these modules in whose place the campaign has its own."""


class Reached:
    """Counts of cells, each in a named table."""

    def __init__(self) -> None:
        self.counts: Counter[Cell] = Counter()

    def see(self, table: str, cell: str) -> None:
        """Once more."""
        self.counts[table, cell] += 1

    def crash(self, suspended: Iterable[tuple[CodeType, int]]) -> None:
        """A crash struck while coroutines stood at these lines."""
        for code, line in suspended:
            label = awaits_by_line(code.co_filename).get(line)
            if label is not None:
                self.see("crash at await", label)


_AWAITS: dict[str, dict[int, str]] = {}


def awaits_by_line(filename: str) -> dict[int, str]:
    """The awaits of one of SUSPENDING by the lines they span; none of any other file."""
    if filename not in _AWAITS:
        path = Path(filename)
        _AWAITS[filename] = _parse(path) if path in SUSPENDING else {}
    return _AWAITS[filename]


def _parse(path: Path) -> dict[int, str]:
    found: dict[int, str] = {}
    tree = ast.parse(path.read_text())
    tree.body = [one for one in tree.body if getattr(one, "name", "") not in REPLACED]
    for function in ast.walk(tree):
        if not isinstance(function, ast.AsyncFunctionDef):
            continue
        for node in ast.walk(function):
            if isinstance(node, ast.Await):
                what = ast.unparse(node.value)[:60]
            elif isinstance(node, ast.AsyncFor):
                what = f"for {ast.unparse(node.iter)[:60]}"
            else:
                continue
            last = node.end_lineno if isinstance(node, ast.Await) else node.lineno
            for line in range(node.lineno, (last or node.lineno) + 1):
                found.setdefault(line, f"{path.stem}.{function.name}: {what}")
    return found


def await_cells() -> set[Cell]:
    """Every await at which the daemon can be suspended."""
    return {
        ("crash at await", label)
        for path in SUSPENDING
        for label in awaits_by_line(str(path)).values()
    }


def table(counts: Counter[Cell], expected: set[Cell]) -> str:
    """The counts as text, empty cells marked."""
    lines = []
    previous = None
    for cell in sorted(expected | set(counts)):
        if cell[0] != previous:
            previous = cell[0]
            lines.append(f"\n{previous}")
        n = counts[cell]
        mark = "  <-- EMPTY" if not n else ("" if cell in expected else "  (not demanded)")
        lines.append(f"{n:9d}  {cell[1]}{mark}")
    return "\n".join(lines)
