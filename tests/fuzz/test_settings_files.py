"""Settings files made from those that are shipped: one thing after another spoilt in them.

What comes of it is settings, or a refusal that names setting, value and remedy. (Files of odd
values and odd trees are tried where the settings themselves are tested.)
"""

import contextlib
import io
import tomllib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dustcake.__main__ import main
from examples import examples
from settings.test_junk import as_toml

SHIPPED = sorted((Path(__file__).parents[2] / "config").glob("*.toml"))
TREES = [tomllib.loads(path.read_text(encoding="utf-8")) for path in SHIPPED]
ODD: st.SearchStrategy[Any] = st.one_of(
    st.sampled_from([0, -1, 1, 2**63, 1e308, -1e308, float("nan"), float("inf"), True, False]),
    st.sampled_from(
        ["", "x", "\0", "é" * 300, "-1 Pa", "1e999 inH2O", [], {}, [[]], [{}], {"x": {}}]
    ),
    st.integers(),
    st.floats(),
    st.text(max_size=8),
)

ended: Counter[int] = Counter()


@pytest.fixture(scope="module", autouse=True)
def both_ends() -> Iterator[None]:
    yield
    if ended.total() > 100:
        assert min(ended[0], ended[2]) > 10, ended


def places(tree: Any, here: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The way to everything in ``tree``."""
    inside = tree.items() if isinstance(tree, dict) else enumerate(tree)
    found = []
    for key, value in inside:
        found.append((*here, key))
        if isinstance(value, dict | list):
            found += places(value, (*here, key))
    return found


def spoilt(draw: st.DrawFn, tree: Any) -> None:
    """Change ``tree`` in one place."""
    way = draw(st.sampled_from(places(tree)))
    parent = tree
    for key in way[:-1]:
        parent = parent[key]
    key = way[-1]
    match draw(st.sampled_from(["other value", "scaled", "gone", "renamed", "twice", "moved"])):
        case "scaled" if isinstance(parent[key], int | float):
            parent[key] *= draw(st.sampled_from([-1, 0, 1e-9, 0.5, 2, 10, 1e6]))
        case "gone":
            del parent[key]
        case "renamed" if isinstance(parent, dict):
            parent[draw(st.sampled_from([f"{key}s", str(key)[1:] or "x", "name"]))] = parent.pop(
                key
            )
        case "twice" if isinstance(parent, list):
            parent.append(parent[key])
        case "moved" if isinstance(parent, dict):
            tree[key] = parent.pop(key)
        case _:
            parent[key] = draw(ODD)


@st.composite
def spoilt_files(draw: st.DrawFn) -> bytes:
    tree = tomllib.loads(draw(st.sampled_from(SHIPPED)).read_text(encoding="utf-8"))
    for _ in range(draw(st.integers(0, 3))):
        if places(tree):
            spoilt(draw, tree)
    return "\n".join(f"{as_key(key)} = {as_toml(value)}" for key, value in tree.items()).encode()


def as_key(key: str) -> str:
    return as_toml(key)


@st.composite
def overwritten_files(draw: st.DrawFn) -> bytes:
    """A shipped file with pieces of it overwritten, left out or repeated."""
    content = draw(st.sampled_from(SHIPPED)).read_bytes()
    for _ in range(draw(st.integers(1, 3))):
        at = int(draw(st.floats(0, 1)) * len(content))
        end = at + draw(st.sampled_from([0, 1, 8, 200]))
        piece = draw(st.binary(max_size=4) | st.sampled_from([b"\n", b'"', b"\xef\xbb\xbf", b"["]))
        content = content[:at] + piece * draw(st.sampled_from([1, 1, 500])) + content[end:]
    return content


@examples(250)
@given(content=spoilt_files() | overwritten_files() | st.binary(max_size=100))
def test_check_understands_or_refuses(
    content: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.getbasetemp() / "spoilt.toml"
    path.write_bytes(content)
    out, errors = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(errors):
        code = main(["check", str(path)])
    ended[code] += 1
    if code == 0:
        assert out.getvalue()
        return
    assert code == 2, code
    told = errors.getvalue() + out.getvalue()
    told.encode("utf-8")
    problems = told.count("\n  remedy:  ")
    assert problems == told.count("\n  allowed: ") >= 1
    assert len(told) < 100_000
