"""The simulator as its own process, asked by programs that are not ours."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
import serial
from umodbus.client import tcp

from device.wire import required_tool, wait_until
from dustcake_sim.scenario import packaged_scenarios

SIMULATOR = [sys.executable, "-m", "dustcake_sim"]


class Simulator:
    """A running simulator; `port` is where it listens."""

    def __init__(self, *options: str) -> None:
        self.process = subprocess.Popen(
            [*SIMULATOR, *options],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        self.first_line = self.process.stdout.readline()
        found = re.search(r"(\d+)\D*$", self.first_line)
        assert found is not None, self.process.communicate()
        self.port = int(found.group(1))

    def end(self, number: signal.Signals = signal.SIGTERM) -> tuple[int, str]:
        """Exit code and standard error."""
        self.process.send_signal(number)
        _, errors = self.process.communicate()
        return self.process.returncode, errors


@pytest.fixture(scope="module")
def simulator() -> Iterator[Simulator]:
    running = Simulator("welding_cell", "--port", "0", "--seed", "4")
    yield running
    code, errors = running.end()
    assert code == 0
    assert "Traceback" not in errors


def mbpoll(*arguments: str) -> str:
    command = [required_tool("mbpoll"), "-1", "-0", "-q", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def polled(output: str) -> dict[int, float]:
    """Values by address in mbpoll's output."""
    lines = re.findall(r"^\[(\d+)\]:\s+([-\d.]+)", output, re.MULTILINE)
    return {int(address): float(value) for address, value in lines}


def test_mbpoll_reads_and_writes_over_tcp(simulator: Simulator) -> None:
    tcp_options = ["-m", "tcp", "-p", str(simulator.port), "-a", "1"]
    big_endian = mbpoll(*tcp_options, "-t", "3:float", "-B", "-r", "2", "127.0.0.1")
    assert 850.0 < polled(big_endian)[2] < 950.0
    low_word_first = mbpoll(*tcp_options, "-t", "3:float", "-r", "4", "127.0.0.1")
    assert 850.0 < polled(low_word_first)[4] < 950.0
    holding = mbpoll(*tcp_options, "-t", "4", "-r", "0", "-c", "2", "127.0.0.1")
    assert 8500 < polled(holding)[0] < 9500
    assert 9400 < polled(holding)[1] < 10_100
    contacts = mbpoll(*tcp_options, "-t", "1", "-r", "0", "-c", "4", "127.0.0.1")
    assert polled(contacts) == {0: 1, 1: 0, 2: 0, 3: 1}
    mbpoll(*tcp_options, "-t", "4", "-r", "101", "127.0.0.1", "7")
    assert polled(mbpoll(*tcp_options, "-t", "4", "-r", "101", "127.0.0.1")) == {101: 7}
    mbpoll(*tcp_options, "-t", "0", "-r", "33", "127.0.0.1", "1")
    assert polled(mbpoll(*tcp_options, "-t", "0", "-r", "33", "127.0.0.1")) == {33: 1}


def test_umodbus_reads_and_writes(simulator: Simulator) -> None:
    def ask(request: bytes) -> list[int]:
        answer: list[int] = tcp.send_message(request, link)
        return answer

    with closing(socket.create_connection(("127.0.0.1", simulator.port), timeout=10)) as link:
        first, second = ask(tcp.read_input_registers(1, 2, 2))
        dp_pa = struct.unpack(">f", struct.pack(">2H", first, second))[0]
        assert 850.0 < dp_pa < 950.0
        assert 8500 < ask(tcp.read_holding_registers(1, 0, 1))[0] < 9500
        assert ask(tcp.read_discrete_inputs(1, 0, 4)) == [1, 0, 0, 1]
        before = ask(tcp.read_input_registers(1, 41, 1))[0]
        ask(tcp.write_single_coil(1, 17, 1))
        assert ask(tcp.read_input_registers(1, 41, 1))[0] == before + 1
        wait_until(lambda: ask(tcp.read_coils(1, 17, 1)) == [0], "the one-shot to end")
        assert ask(tcp.read_input_registers(1, 32, 1)) == [0]
        ask(tcp.write_multiple_registers(1, 102, [50, 120]))
        assert ask(tcp.read_holding_registers(1, 102, 2)) == [50, 120]
        ask(tcp.write_multiple_coils(1, 0, [0, 0, 0, 0]))
        ask(tcp.write_single_register(1, 100, 90))
        assert ask(tcp.read_holding_registers(1, 100, 1)) == [90]


def test_mbpoll_over_a_serial_pair(tmp_path: Path) -> None:
    required_tool("mbpoll")
    ours, theirs = tmp_path / "device", tmp_path / "master"
    ends = [f"pty,raw,echo=0,link={end}" for end in (ours, theirs)]
    pair = subprocess.Popen([required_tool("socat"), *ends])
    try:
        wait_until(lambda: ours.exists() and theirs.exists(), "the pair of pseudo-terminals")
        options = ["--serial", str(ours), "--parity", "N", "--unit", "17"]
        running = Simulator("welding_cell", "--port", "0", *options)
        rtu = ["-m", "rtu", "-a", "17", "-b", "19200", "-P", "none", "-s", "2"]
        output = mbpoll(*rtu, "-t", "3:float", "-B", "-r", "2", str(theirs))
        assert 850.0 < polled(output)[2] < 950.0
        mbpoll(*rtu, "-t", "4", "-r", "100", str(theirs), "80", "9")
        assert polled(mbpoll(*rtu, "-t", "4", "-r", "100", "-c", "2", str(theirs))) == {
            100: 80,
            101: 9,
        }
        assert running.end()[0] == 0
    finally:
        pair.terminate()
        pair.wait()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_signals_end_it_cleanly_with_a_client_connected(number: signal.Signals) -> None:
    running = Simulator("worn_filters", "--port", "0", "--speed", "60", "--log-json")
    announced = json.loads(running.first_line)
    assert announced == {"event": "listening", "host": "127.0.0.1", "port": running.port}
    with closing(socket.create_connection(("127.0.0.1", running.port), timeout=10)):
        code, errors = running.end(number)
    assert (code, errors) == (0, "")


def test_events_are_logged_as_json(tmp_path: Path) -> None:
    event = '[[event]]\nat_s = 0.0\nkind = "contact"\ncontact = "smoke"\nclosed = true\n'
    text = packaged_scenarios()["welding_cell"].read_text(encoding="utf-8") + event
    scenario = tmp_path / "smoke.toml"
    scenario.write_text(text, encoding="utf-8")
    _, errors = Simulator(str(scenario), "--port", "0", "--log-json").end()
    happened = [json.loads(line) for line in errors.splitlines()]
    assert [each["happened"]["kind"] for each in happened] == ["contact"]
    assert happened[0]["event"] == "event"


def finished(*options: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*SIMULATOR, *options], capture_output=True, text=True, check=False)


def test_a_port_in_use_is_told_without_a_traceback(simulator: Simulator) -> None:
    done = finished("welding_cell", "--port", str(simulator.port))
    assert done.returncode == 3
    assert f"cannot listen on --host 127.0.0.1 --port {simulator.port}" in done.stderr
    assert "give another port" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("options", "code", "message"),
    [
        (["no_such"], 2, "no scenario 'no_such': give the path of a file, or one of"),
        (["welding_cell", "--speed", "0"], 2, "'0' is not usable: give 0.001 to 10000.0"),
        (["welding_cell", "--port", "x"], 2, "'x' is not usable: give 0 to 65535"),
        (["welding_cell", "--port", "0", "--serial", "/dev/none"], 3, "serial port /dev/none"),
        (["welding_cell", "--host", "not.a.host.invalid"], 3, "cannot listen on --host"),
    ],
)
def test_bad_usage(options: list[str], code: int, message: str) -> None:
    done = finished(*options)
    assert done.returncode == code, done.stderr
    assert message in done.stderr
    assert "Traceback" not in done.stderr


def test_even_parity_on_a_pseudo_terminal_is_explained() -> None:
    master, slave = os.openpty()
    # The system accepts even parity, without effect, as long as it comes with another change.
    serial.Serial(os.ttyname(slave), 19_200, parity="N", stopbits=1).close()
    done = finished("welding_cell", "--port", "0", "--serial", os.ttyname(slave), "--parity", "E")
    os.close(master)
    os.close(slave)
    assert done.returncode == 3
    assert "is sure to take parity N only" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_serial_line_lost_while_running_ends_it() -> None:
    master, slave = os.openpty()
    options = ["--port", "0", "--serial", os.ttyname(slave), "--parity", "N"]
    running = Simulator("welding_cell", *options)
    os.close(slave)
    os.close(master)
    _, errors = running.process.communicate()
    assert running.process.returncode == 3
    assert "was lost" in errors
    assert "Traceback" not in errors


def test_help_and_map() -> None:
    shown = finished("--help")
    assert shown.returncode == 0
    assert "example:" in shown.stdout
    rows = [
        json.loads(line)
        for line in finished("welding_cell", "--map", "--log-json").stdout.splitlines()
    ]
    assert {"table", "first", "last", "name", "form", "writable"} == set(rows[0])
    text = finished("welding_cell", "--map").stdout
    assert len(text.splitlines()) == len(rows)
    assert re.search(r"^coils +16-19 +valves, one-shot", text, re.MULTILINE)


def test_a_reader_that_stops_reading_the_map() -> None:
    running = subprocess.Popen(
        [*SIMULATOR, "welding_cell", "--map"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert running.stdout is not None
    running.stdout.close()
    running.stdout = None
    _, errors = running.communicate()
    assert (running.returncode, errors) == (0, b"")


def test_valves_told_to_a_file(tmp_path: Path) -> None:
    log = tmp_path / "valves.jsonl"
    for _ in range(2):
        running = Simulator("welding_cell", "--port", "0", "--valve-log", str(log))
        with closing(socket.create_connection(("127.0.0.1", running.port))) as connection:
            for on in (1, 0):
                tcp.send_message(tcp.write_single_coil(1, 2, on), connection)
        running.process.kill()
        running.process.communicate()
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    told = [(line["event"], line.get("valve")) for line in lines]
    assert told == [("started", None), ("on", 3), ("off", 3)] * 2
    times_s = [line["mono_s"] for line in lines]
    assert times_s == sorted(times_s)
    assert times_s[-1] <= time.monotonic()
    refused = subprocess.run(
        [*SIMULATOR, "welding_cell", "--port", "0", "--valve-log", str(tmp_path / "none" / "log")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert refused.returncode == 2
    assert "cannot write --valve-log" in refused.stderr
    assert "Traceback" not in refused.stderr


def test_hands_do_what_is_typed_and_say_what_is_wrong() -> None:
    with subprocess.Popen(
        [*SIMULATOR, "new_filters", "--port", "0", "--hands"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stdout.readline().startswith("listening")
        for typed, told in (
            ("damper opening=0.7", "done: damper opening=0.7"),
            ("contact contact=smoke closed=true", "done: contact contact=smoke closed=true"),
            ("damper opening=7", "opening: Input should be less than or equal to 1"),
            ("damper 0.7", "'0.7': write name=value"),
            ("damper at_s=3", "got multiple values"),
            ("teapot", "kind"),
        ):
            process.stdin.write(f"{typed}\n\n")
            process.stdin.flush()
            assert told in process.stdout.readline()
        process.send_signal(signal.SIGTERM)
        _, errors = process.communicate()
        assert (process.returncode, "Traceback" in errors) == (0, False)
