"""Which assertions of Sparkplug 3.0.0 have a test, and why the others have none.

``assertions.txt`` lists the ids of the specification's own test kit at its tag v3.0.0, without
``tck-id-``. Run as a script, this writes the table beside it anew.
"""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

HERE = Path(__file__).parent
TESTS = HERE.parents[1]
TABLE = HERE / "COVERAGE.md"

HOST = "asks something of host applications"
PLANT = "the plant's matter: one daemon cannot know the others"
# Patterns of ids that do not bear on the daemon, with the reason. First match counts.
NOT_OURS: dict[str, str] = {
    r"conformance-mqtt-.*": "asks something of the MQTT server",
    r"conformance-primary-host|intro-sparkplug-host-state|components-ph-state": HOST,
    r"host-topic-.*|.*-host-application-.*|.*-host-reordering-.*": HOST,
    r".*-termination-host-action-.*|message-flow-[ph]h?id-.*|payloads-state-.*": HOST,
    r"(payloads|topics)-[nd]cmd-.*": f"{HOST}, which send commands",
    r".*-with-multiple-servers-state(-subs)?": HOST,
    r".*-with-multiple-servers-walk": (
        "one server is configured, so there is none to walk to; it is left, and tried again"
    ),
    r"payloads-(dataset|template)-.*|topics-nbirth-templates": (
        "neither data sets nor templates are published"
    ),
    r"intro-edge-node-id-uniqueness|.*-unique-edge-node-descriptor": PLANT,
    r"payloads-nbirth-edge-node-descriptor": PLANT,
    r".*-duplicate-device-id-across-edge-node": "a permission, not used for anything",
}


def assertions() -> list[str]:
    """All ids."""
    return (HERE / "assertions.txt").read_text().split()


def covered() -> dict[str, list[str]]:
    """Id to the tests that are marked with it, found in the source of all tests."""
    found: dict[str, list[str]] = {}
    for path in sorted(TESTS.rglob("test_*.py")):
        for function, ids in _marked(path):
            for one in ids:
                found.setdefault(one, []).append(f"{path.relative_to(TESTS)}::{function}")
    return found


def _marked(path: Path) -> Iterator[tuple[str, list[str]]]:
    text = path.read_text()
    if "covering import" not in text:
        return
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        for mark in node.decorator_list:
            if (
                isinstance(mark, ast.Call)
                and isinstance(mark.func, ast.Name)
                and mark.func.id in ("covers", "covers_together")
            ):
                yield node.name, [ast.literal_eval(each) for each in mark.args]


def reason(assertion: str) -> str | None:
    """Why it needs no test; None where it does."""
    for pattern, why in NOT_OURS.items():
        if re.fullmatch(pattern, assertion):
            return why
    return None


def table() -> str:
    """The table as Markdown."""
    tests = covered()
    ids = assertions()
    count = sum(one in tests for one in ids)
    lines = [
        "# Assertions of Sparkplug 3.0.0",
        "",
        "Written by `python tests/publish/sparkplug/coverage_table.py`; do not edit. Each id is",
        "that of the specification's test kit at tag v3.0.0, without `tck-id-`.",
        "",
        "What is asked of host applications is covered where the daemon relies on it: then it is",
        "tested what becomes of a message that keeps to it, or does not.",
        "",
        f"{count} of {len(ids)} have a test with the id in its name; {len(ids) - count} do not",
        "bear on an edge node such as this.",
        "",
        "| assertion | tests, or why there is none |",
        "| --- | --- |",
    ]
    for one in ids:
        told = [f"`{test}`" for test in tests.get(one, [])] or [f"none: {reason(one)}"]
        lines.append(f"| {one} | {'; '.join(told)} |")
    return "\n".join([*lines, ""])


if __name__ == "__main__":
    TABLE.write_text(table())
