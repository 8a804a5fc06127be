"""Traces made from one that is in order: spoilt in pieces, in another encoding, with lines without
an end. (Any bytes, and odd cells, are tried where traces are tested.)"""

import contextlib
import io
import json
import time
import tracemalloc
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from dustcake.__main__ import main
from examples import examples
from traces.recorded import settings_text

ROWS = [f"{t},{600 + 500 * (20 < t % 60 < 40)},{int(t % 60 > 5)}" for t in range(0, 240, 2)]
GOOD = "\n".join(["time,dp_pa,blower_running", *ROWS, ""]).encode()

ended: Counter[int] = Counter()


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Path]]:
    directory = tmp_path_factory.mktemp("spoilt")
    chosen = directory / "settings.toml"
    chosen.write_text(settings_text(), encoding="utf-8")
    ended.clear()
    yield directory / "trace.csv", chosen
    if ended.total() > 100:
        assert min(ended[0], ended[2]) > 10, ended


def replayed(files: tuple[Path, Path], trace: bytes, *options: str) -> int:
    recorded, chosen = files
    recorded.write_bytes(trace)
    out, errors = io.StringIO(), io.StringIO()
    began_s = time.process_time()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(errors):
        code = main(["replay", str(recorded), "--settings", str(chosen), "--json", *options])
    assert time.process_time() - began_s < 5.0
    ended[code] += 1
    assert code in (0, 2)
    assert (code == 2) <= bool(errors.getvalue())
    objects = [json.loads(line) for line in out.getvalue().splitlines()]
    assert (code == 0) is (bool(objects) and objects[-1]["event"] == "summary")
    return code


PIECES = st.one_of(
    st.binary(max_size=6),
    st.sampled_from([b"\0", b"\r", b'"', b"\n\n", b",", b"\xef\xbb\xbf", b"\xff\xfe", b"\x1a"]),
    st.sampled_from([b"1e9", b"nan", b"-1", b"2026-03-01T08:00:00Z", b"31622400", b"1_000"]),
    st.sampled_from([b"x" * 70_000, b"9" * 70_000, b'"' * 140_000, b"," * 3_000]),
)


@st.composite
def spoilt(draw: st.DrawFn) -> bytes:
    content = GOOD
    for _ in range(draw(st.integers(1, 4))):
        at = int(draw(st.floats(0, 1)) * len(content))
        end = at + draw(st.sampled_from([0, 0, 1, 5, 60]))
        content = content[:at] + draw(PIECES) + content[end:]
    coding = draw(st.sampled_from(["utf-8"] * 6 + ["utf-16", "utf-32", "cp037", "utf-7"]))
    if coding != "utf-8":
        content = content.decode("latin-1").encode(coding, "replace")
    return content


@examples(120)
@given(trace=spoilt(), skip=st.booleans())
@example(trace=GOOD, skip=False)
@example(trace=GOOD.replace(b"100,", b"2026-03-01T08:01:40Z,"), skip=True)
def test_a_spoilt_trace_is_replayed_or_refused(
    files: tuple[Path, Path], trace: bytes, skip: bool
) -> None:
    code = replayed(files, trace, *(["--skip-bad-rows"] if skip else []))
    assert code == 0 or trace != GOOD


def test_neither_long_lines_nor_many_bad_rows_take_memory(
    files: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dustcake_lab.traces.csv_parquet._BLOCK_BYTES", 100_000)
    replayed(files, GOOD)  # what is imported for the first time is not counted
    for trace in (
        b"time,dp_pa\n0,1\n1," + b"7" * 8_000_000,
        b"time,dp_pa\n0,1\n" + b'"\n' * 40_000,
        b"time,dp_pa\n" + b"x,y\n" * 5_000,
        b"time,dp_pa\n" + b"0" * 8_000_000 + b",1\n",
    ):
        recorded, chosen = files
        recorded.write_bytes(trace)
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            tracemalloc.start()
            code = main(["replay", str(recorded), "--settings", str(chosen)])
            _, peak = tracemalloc.get_traced_memory()
            tracemalloc.stop()
        assert code == 2
        assert peak < 2_000_000
