"""Whatever a file holds, the command ends with a result or with a message."""

import json
import sys
from collections import Counter
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path

from hypothesis import example, given
from hypothesis import strategies as st

from dustcake.__main__ import main
from dustcake_lab.traces.columns import KNOWN_COLUMNS
from examples import explore
from traces.recorded import settings_text

CELLS = st.one_of(
    st.sampled_from(["", "0", "1", "800", "1000.5", "-3", "nan", "1e400", '"', "2026-03-01T08Z"]),
    st.text(max_size=6),
    st.floats().map(str),
    st.integers(0, 100).map(str),
    st.datetimes().map(lambda at: f"{at.isoformat()}Z"),
)
ROWS = st.lists(st.lists(CELLS, min_size=1, max_size=4).map(",".join), max_size=12)
HEADERS = st.lists(st.sampled_from(KNOWN_COLUMNS), max_size=5).map(",".join)
NEARLY = st.tuples(st.just("time,dp_pa") | HEADERS, ROWS).map(
    lambda parts: "\n".join([parts[0], *parts[1]]).encode("utf-8", "surrogatepass")
)
COUNTING = st.lists(CELLS, max_size=12).map(
    lambda cells: "\n".join(["time,dp_pa", *(f"{t},{dp}" for t, dp in enumerate(cells))]).encode(
        "utf-8", "surrogatepass"
    )
)


def test_it_ends_with_a_result_or_a_message(tmp_path: Path) -> None:
    ended: Counter[int] = Counter()
    recorded, chosen = tmp_path / "trace.csv", tmp_path / "settings.toml"
    chosen.write_text(settings_text(), encoding="utf-8")

    @given(
        trace=st.binary(max_size=300) | NEARLY | COUNTING,
        options=st.sampled_from(
            [[], ["--json"], ["--skip-bad-rows"], ["--json", "--skip-bad-rows"]]
        ),
    )
    @example(trace=b"time,dp_pa\n0,1\n" + b'"' * 140_000, options=["--json", "--skip-bad-rows"])
    @example(trace=b"time,dp_pa\n0,1\n1,\xff\xfe\n", options=["--skip-bad-rows"])
    def any_file(trace: bytes, options: list[str]) -> None:
        recorded.write_bytes(trace)
        out, errors = StringIO(), StringIO()
        with redirect_stdout(out), redirect_stderr(errors):
            code = main(["replay", str(recorded), "--settings", str(chosen), *options])
        ended[code] += 1
        assert code in (0, 2)
        out.getvalue().encode("ascii")
        errors.getvalue().encode("ascii")
        assert (code == 2) <= bool(errors.getvalue())
        if "--json" in options:
            objects = [json.loads(line) for line in out.getvalue().splitlines()]
            assert all(isinstance(each["event"], str) for each in objects)
            assert (code == 0) is (bool(objects) and objects[-1]["event"] == "summary")
        assert sys.stdout.writable()

    explore(any_file, 300, ended, {0: 10, 2: 10})
