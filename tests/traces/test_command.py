"""The command `replay`, as it is called."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from dustcake_lab.commands import replay as command
from dustcake_lab.traces import csv_parquet
from dustcake_lab.traces.columns import KNOWN_COLUMNS
from traces.recorded import BLOWER, Bench, each_second, settings_text, table

REPLAY = [sys.executable, "-m", "dustcake", "replay"]


def called(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*REPLAY, *arguments], capture_output=True, text=True, check=False)


def test_a_program_reads_one_object_a_line(bench: Bench) -> None:
    recorded, chosen = bench.files(each_second(800, 1000, 1000, 740))
    ended = called(recorded, "--settings", chosen, "--json")
    assert (ended.returncode, ended.stderr) == (0, "")
    objects = [json.loads(line) for line in ended.stdout.splitlines()]
    assert [each["event"] for each in objects] == [
        "started",
        "quality_changed",
        "blower_changed",
        "cleaning_started",
        "cleaning_stopped",
        "summary",
    ]
    assert all({"t_s", "utc", "event"} <= set(each) for each in objects[:-1])
    needed = {"samples", "duration_s", "cleaning_cycles", "pulses", "alarms"}
    assert needed <= set(objects[-1])


def test_a_person_reads_when_what_and_why_in_the_unit_of_the_settings(bench: Bench) -> None:
    text = settings_text(BLOWER).replace('display_unit = "Pa"', 'display_unit = "inH2O"')
    settings = text.replace('"750 Pa"', '"3.0 inH2O"').replace('"1000 Pa"', '"4.0 inH2O"')
    dp = [3.5, *[4.2] * 20, 3.0]
    rows = (f"2026-03-01T08:00:{t:02d}Z,{v},1" for t, v in enumerate(dp))
    recorded, chosen = bench.files(table("time,dp_inh2o,blower_running", *rows), settings)
    ended = called(recorded, "--settings", chosen)
    assert ended.returncode == 0
    assert ended.stdout.splitlines() == [
        "2026-03-01 08:00:00 UTC  daemon started",
        "2026-03-01 08:00:00 UTC  quality of the dP reading: good",
        "2026-03-01 08:00:00 UTC  blower running",
        '2026-03-01 08:00:00 UTC  alarm "dP low with the blower running" suppressed (condition not '
        "active): the blower has not run for 1 min yet",
        "2026-03-01 08:00:01 UTC  cleaning on demand started: dP 4.20 inH2O has reached the high "
        "set point of 4.00 inH2O",
        "2026-03-01 08:00:15 UTC  valve 2 pulsed for 0.15 s: no. 1, dP 4.20 inH2O",
        "2026-03-01 08:00:21 UTC  cleaning on demand stopped after 1 pulse in 20 s: dP 3.00 inH2O "
        "is down to the low set point of 3.00 inH2O",
        "",
        "samples          22, of which lost: 0",
        "duration         21 s",
        "cleaning         started once, 20 s in all",
        "pulses           1 (valve 2: 1)",
        "alarms raised    0",
        "while it holds   the first 15 s: cleaning started once, pulses 0, alarms raised 0",
        "beyond that      cleaning started 0 times, pulses 1, alarms raised 0; see the last note",
        "note: the trace has no column for pulses (`pulse_valve` or `pulses`): what dP does after "
        "pulses that may never have been is not judged",
        "note: a pulse here cannot change the dP that was recorded: what-if answers hold only "
        "until the first pulse that the recording did not have; here that is 15 s in (71 % of the "
        "trace): the first cleaning; the trace does not say what was done. For what would have "
        "followed, use `dustcake study`",
    ]


def test_a_person_is_told_of_gaps_lost_samples_and_rows_left_out(bench: Bench) -> None:
    recorded, chosen = bench.files(table("time,dp_pa", "0,1100", "1,", "2,x", "60,1100", "61,1100"))
    code, out, err = bench.run(recorded, "--settings", chosen, "--skip-bad-rows")
    assert code == 0
    assert err.startswith("line 4: dp_pa: 'x': ")
    summary = out.split("\n\n")[1]
    assert "samples          5, of which lost: 2\n" in summary
    assert "gaps             1, long enough for the reading to go stale\n" in summary
    assert "unusable rows    1\n" in summary
    assert "started 2 times, 7 s in all, still under way at the end\n" in summary


def test_seconds_are_shown_where_no_date_is_known(bench: Bench) -> None:
    recorded, chosen = bench.files(each_second(800))
    _, out, _ = bench.run(recorded, "--settings", chosen)
    assert out.startswith("       0.000 s  daemon started\n")


def test_a_person_reads_nothing_of_a_refused_trace_but_why(bench: Bench) -> None:
    recorded, chosen = bench.files(each_second(1100, "x"))
    code, out, err = bench.run(recorded, "--settings", chosen)
    assert (code, out) == (2, "")
    assert err.startswith("line 3: dp_pa: 'x': not a number")


def several(*names: str) -> str:
    one = settings_text()
    head, rest = one.split("[[collector]]")
    return head + "".join(
        "[[collector]]"
        + rest.replace("welding-1", name)
        .replace("[0, 1, 2, 3]", f"[{i * 10}]")
        .replace("register = 0", f"register = {i * 10}")
        for i, name in enumerate(names)
    )


def test_one_of_several_collectors_has_to_be_named(bench: Bench) -> None:
    recorded, chosen = bench.files(each_second(800), several("welding-1", "grinding-2"))
    code, out, err = bench.run(recorded, "--settings", chosen)
    assert (code, out) == (2, "")
    assert "add --collector, one of welding-1, grinding-2" in err
    code, out, err = bench.run(recorded, "--settings", chosen, "--collector", "grinding-2")
    assert (code, err) == (0, "")
    code, out, err = bench.run(recorded, "--settings", chosen, "--collector", "saw-3")
    assert (code, out) == (2, "")
    assert err.startswith("--collector saw-3: no such collector in ")
    assert "name one of welding-1, grinding-2" in err


def test_bad_settings_are_explained_as_ever(bench: Bench) -> None:
    bad = settings_text().replace('"750 Pa"', '"1200 Pa"')
    replayed = bench.replay(each_second(800), settings=bad)
    assert replayed.code == 2
    assert "collector[welding-1].cleaning" in replayed.errors


@pytest.mark.parametrize("name", ["missing.csv", "."])
def test_a_trace_that_cannot_be_opened(bench: Bench, name: str) -> None:
    _, chosen = bench.files(each_second(800))
    recorded = bench.directory / name
    code, out, err = bench.run(str(recorded), "--settings", chosen)
    assert (code, out) == (2, "")
    assert err.startswith(f"{recorded}: ")
    assert err.endswith("; name a CSV file this user may read\n")


def test_a_file_that_only_begins_like_a_journal(bench: Bench) -> None:
    """Its first 16 bytes are those of the SQLite file format (sqlite.org/fileformat2.html, 1.3)."""
    _, chosen = bench.files("")
    recorded = bench.directory / "trace.db"
    recorded.write_bytes(b"SQLite format 3\x00" + b"x" * 5000)
    code, out, err = bench.run(str(recorded), "--settings", chosen)
    assert (code, out) == (2, "")
    assert "it is damaged, or no journal" in err
    assert "to read one, name another" in err


def test_a_trace_that_cannot_be_read_to_its_end(bench: Bench) -> None:
    """The memory of a process opens like a file, and cannot be read at its beginning."""
    _, chosen = bench.files(each_second(800))
    code, out, err = bench.run("/proc/self/mem", "--settings", chosen)
    assert (code, out) == (2, "")
    assert err.startswith("/proc/self/mem: ")
    assert "while it was read; copy it elsewhere first" in err


def test_a_reader_that_has_had_enough_is_no_accident(bench: Bench) -> None:
    rows = (f"{t},{[700, 1100][t % 2]}" for t in range(20_000))
    recorded, chosen = bench.files(table("time,dp_pa", *rows))
    with subprocess.Popen(
        [*REPLAY, recorded, "--settings", chosen, "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == ""
        assert process.wait() == 1


def test_output_that_finds_no_room_is_told_of(bench: Bench) -> None:
    """/dev/full refuses what is written as a full disk does (Linux, full(4))."""
    recorded, chosen = bench.files(each_second(800, 1000, 1000, 740))
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        ended = subprocess.run(
            [*REPLAY, recorded, "--settings", chosen],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert ended.returncode == 1
    assert ended.stderr == (
        "writing the output: No space left on device; make room there, or send it elsewhere\n"
    )


def test_whoever_watches_a_long_trace_sees_how_far_it_is(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorded, chosen = bench.files(each_second(*[800] * 400))
    monkeypatch.setattr(command, "_PROGRESS_FROM_BYTES", 10)
    monkeypatch.setattr(csv_parquet, "_BLOCK_BYTES", 100)
    monkeypatch.setattr(csv_parquet, "_SINGLE_ROWS", 5)
    monkeypatch.setattr(command, "_PROGRESS_EVERY_BYTES", 100)
    assert bench.run(recorded, "--settings", chosen)[2] == "", "nobody watches a pipe"
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    _, _, err = bench.run(recorded, "--settings", chosen)
    assert 5 <= err.count("\r\x1b[Kreplaying: ") <= 40
    assert err.endswith("\r\x1b[K")


def test_help_says_what_the_answer_is_worth() -> None:
    ended = called("--help")
    assert ended.returncode == 0
    assert "dustcake replay march.csv --settings" in ended.stdout
    assert "until the first pulse" in ended.stdout
    assert [name for name in KNOWN_COLUMNS if f"`{name}`" not in ended.stdout] == []


@pytest.mark.patience(300, "a long trace, read by a process of its own")
def test_memory_does_not_grow_with_the_file(bench: Bench) -> None:
    """Peak resident memory of the whole process, for a trace ten times as long."""
    # Not by getrusage: that carries over the peak of whoever started the process.
    program = (
        "import re, sys; from pathlib import Path; from dustcake.__main__ import main; "
        "from dustcake_lab.traces import csv_parquet; csv_parquet._BLOCK_BYTES = 100_000; "
        "main(sys.argv[1:]); status = Path('/proc/self/status').read_text(); "
        "print(re.search(r'VmHWM:\\s+([0-9]+)', status).group(1), file=sys.stderr)"
    )
    peaks_kib = []
    for rows in (20_000, 200_000):
        recorded, chosen = bench.files(table("time,dp_pa", *(f"{t},800.5" for t in range(rows))))
        ended = subprocess.run(
            [sys.executable, "-c", program, "replay", recorded, "--settings", chosen],
            capture_output=True,
            text=True,
            check=True,
        )
        peaks_kib.append(int(ended.stderr))
    assert peaks_kib[1] - peaks_kib[0] < 8_000, peaks_kib
