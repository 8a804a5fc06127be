"""`dustcake demo`: the story is told to its end, and breaking it off leaves nothing behind."""

import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from system_support.broker import until
from system_support.processes import DAEMON, alive, descendants, end_tree

STORY_S = 170.0


@contextmanager
def demo(said: Path, *options: str) -> Iterator[subprocess.Popen[bytes]]:
    """The demo, writing what it says into ``said``; nothing of it outlives the test."""
    with said.open("wb") as out:
        running = subprocess.Popen([*DAEMON, "demo", "--plain", *options], stdout=out, stderr=out)
    try:
        yield running
    finally:
        end_tree(running)


@pytest.mark.patience(STORY_S + 30, "the story lasts as long as it lasts")
async def test_the_story_is_told(tmp_path: Path) -> None:
    said = tmp_path / "said"
    began_s = time.monotonic()
    with demo(said, "--speed", "120") as running:
        await until(lambda: running.poll() is not None, "the end of the demo", STORY_S)
        text = said.read_text(encoding="utf-8")
        assert running.returncode == 0, text
    assert time.monotonic() - began_s > 10.0
    lines = text.splitlines()
    started = next(i for i, line in enumerate(lines) if "cleaning_started" in line)
    stopped = next(
        i for i, line in enumerate(lines) if "cleaning_stopped" in line and "low set point" in line
    )
    raised = next(
        i
        for i, line in enumerate(lines)
        if "alarm/filter_replacement" in line and "unacknowledged" in line
    )
    assert started < stopped < raised
    assert "dustcake check FILE" in text
    assert "Traceback" not in text


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
async def test_breaking_it_off_leaves_no_process_behind(
    tmp_path: Path, number: signal.Signals
) -> None:
    said = tmp_path / "said"
    with demo(said) as running:
        await until(lambda: "/state " in said.read_text(encoding="utf-8"), "the daemon to speak")
        children = descendants(running.pid)
        assert len(children) >= 2, "simulator and daemon at least"
        running.send_signal(number)
        await until(lambda: running.poll() is not None, "the end of the demo")
        assert running.returncode == 0
        assert not alive(children)
    assert "Traceback" not in said.read_text(encoding="utf-8")
