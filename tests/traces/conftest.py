"""What the tests of traces share."""

from pathlib import Path

import pytest

from traces.recorded import Bench


@pytest.fixture
def bench(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Bench:
    return Bench(tmp_path, capsys)
