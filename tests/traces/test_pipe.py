"""A trace that comes through a pipe is read as from a file, or refused as what it is."""

import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Thread

import pytest

from dustcake_lab.traces import files
from dustcake_lab.traces.files import open_any
from traces.recorded import Bench, each_second, settings_text

DUSTCAKE = [sys.executable, "-m", "dustcake"]
CSV = each_second(800, 1100, 1100, 740, *[800] * 5000)


@pytest.fixture
def fifo(tmp_path: Path) -> Iterator[Callable[[bytes], Path]]:
    """A named pipe that somebody writes this into."""
    at = tmp_path / "fifo"
    os.mkfifo(at)
    writers = []

    def filled(content: bytes) -> Path:
        writers.append(Thread(target=at.write_bytes, args=(content,)))
        writers[-1].start()
        return at

    yield filled
    for each in writers:
        each.join(10)


def piped(content: bytes, *arguments: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run([*DUSTCAKE, *arguments], input=content, capture_output=True, check=False)


def test_a_replay_of_a_pipe_is_that_of_the_file(bench: Bench) -> None:
    recorded, chosen = bench.files(CSV)
    _, out, _ = bench.run(recorded, "--settings", chosen, "--json")
    ended = piped(CSV.encode(), "replay", "/dev/stdin", "--settings", chosen, "--json")
    assert (ended.returncode, ended.stderr) == (0, b"")
    assert ended.stdout.decode() == out


def test_without_the_extra_as_well(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, fifo: Callable[[bytes], Path]
) -> None:
    monkeypatch.setattr(files, "find_spec", lambda name: None)
    recorded, chosen = bench.files(CSV)
    _, out, _ = bench.run(recorded, "--settings", chosen, "--json")
    code, again, err = bench.run(str(fifo(CSV.encode())), "--settings", chosen, "--json")
    assert (code, err, again) == (0, "", out)
    with open_any(Path(recorded)) as trace:
        assert trace.columns == ("time", "dp_pa")


def test_a_journal_has_to_be_a_file(bench: Bench, tmp_path: Path) -> None:
    journal = tmp_path / "journal.db"
    with sqlite3.connect(journal) as connection:
        connection.execute("CREATE TABLE a (b)")
    connection.close()
    _, chosen = bench.files(CSV)
    ended = piped(journal.read_bytes(), "replay", "/dev/stdin", "--settings", chosen)
    assert ended.returncode == 2
    told = "/dev/stdin: a journal cannot be read from a pipe; name the daemon's file\n"
    assert ended.stderr.decode() == told


def test_a_report_of_a_pipe_is_refused_before_it_is_read(tmp_path: Path) -> None:
    chosen = tmp_path / "plant.toml"
    chosen.write_text(settings_text())
    options = ("--settings", str(chosen), "--flow", "1", "--report", str(tmp_path / "a.html"))
    ended = piped(b"nothing of a trace", "study", "/dev/stdin", *options)
    assert ended.returncode == 2
    assert b"/dev/stdin: for a report the trace is read twice" in ended.stderr
