"""SIGTERM: over within two seconds, whatever is going on and whoever does not answer."""

import contextlib
import signal
import socket
import sys
import time
from collections.abc import AsyncIterator, Collection, Iterator
from functools import partial
from pathlib import Path

import pytest

from dustcake.adapters.store import History
from dustcake_sim.modbus_pdu import Table
from processes.backlog import fill_outbox
from recovery.pulsing import pulsing
from system_support import processes, settings
from system_support.broker import Broker, CuttingProxy, free_port, running, until
from system_support.device import Device, device, scenario
from system_support.heard import Heard, listener
from system_support.processes import Daemon, Daemons, serial_pair

pytestmark = pytest.mark.broker

WITHIN_S, WITHOUT_DISK_S = 2.0, 6.0
SLACK_S = 1.0
"""Of a busy test machine: the daemon's own waits come to 1.6 s, and Python has to end as well."""
CLEAN = scenario(0.1)
LONG_PULSE_S = 0.3
MEETINGS = 3
"""On a busy machine a pulse may be over before the signal has come; then another is met."""
PATIENT = {"pulsing": {"report_timeout_s": 110.0}}
"""What must be set where a reply may take ten seconds."""
night = partial(pytest.param, marks=pytest.mark.night)
ODD = Path(__file__).parents[1] / "recovery" / "odd_daemon.py"


async def ends_in_time(daemon: Daemon, codes: Collection[int] = (0,)) -> None:
    """SIGTERM, and what must become of it."""
    began_s = time.monotonic()
    daemon.process.terminate()
    assert await daemon.ended() in codes
    took_s = time.monotonic() - began_s
    print(f"ended after {took_s:.2f} s")
    assert took_s <= WITHIN_S + SLACK_S, daemon.log
    assert "Traceback" not in daemon.log


@contextlib.contextmanager
def port_that_never_accepts() -> Iterator[int]:
    """A connection to it is neither made nor refused, as to a computer that is switched off."""
    with contextlib.ExitStack() as stack:
        full = stack.enter_context(socket.socket())
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        for _ in range(4):  # the kernel takes in one or two more than it was told to
            waiting = stack.enter_context(socket.socket())
            waiting.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                waiting.connect(full.getsockname())
        yield full.getsockname()[1]


@contextlib.contextmanager
def port_that_says_nothing() -> Iterator[int]:
    """Connections are made, and nothing is ever read or said."""
    with socket.socket() as mute:
        mute.bind(("127.0.0.1", 0))
        mute.listen(64)
        yield mute.getsockname()[1]


class Surroundings:
    """A device and a broker, each of which can stop answering in a way of its own."""

    def __init__(self, plant: Device, broker: Broker, proxy: CuttingProxy) -> None:
        self.plant = plant
        self._broker = broker
        self._proxy = proxy
        self._stack = contextlib.ExitStack()

    def close(self) -> None:
        self._stack.close()

    def bus(self, how: str) -> settings.Table:
        """The bus to a device that will be as ``how`` says."""
        if how == "never accepts":
            return settings.tcp_bus(self._stack.enter_context(port_that_never_accepts()))
        if how == "mute, given 10 s":
            return settings.tcp_bus(self.plant.port, timeout_s=10.0, retries=5)
        return settings.tcp_bus(self.plant.port)

    def mqtt_port(self, how: str) -> int:
        """Where the broker is that will be as ``how`` says."""
        if how == "never accepts":
            return self._stack.enter_context(port_that_never_accepts())
        if how == "never answers":
            return self._stack.enter_context(port_that_says_nothing())
        return free_port() if how == "gone" else self._proxy.port

    async def silence(self, daemon: Daemon, device_is: str, broker_is: str) -> None:
        """Let both become what they are to be, once the daemon has met them."""
        if broker_is in ("well", "mute"):
            await until(lambda: bool(daemon.logged("broker connected")), "the broker")
        if broker_is == "mute":
            self._proxy.freeze()
        if device_is.startswith("mute"):
            self.plant.silence(1)
        if device_is == "gone":
            await self.plant.go()


@contextlib.asynccontextmanager
async def surroundings(directory: Path) -> AsyncIterator[Surroundings]:
    async with (
        running(Broker(directory / "broker")) as broker,
        device(CLEAN) as plant,
        CuttingProxy(broker.port) as proxy,
    ):
        around = Surroundings(plant, broker, proxy)
        yield around
        proxy.thaw()
        around.close()


@pytest.mark.parametrize(
    ("device_is", "broker_is"),
    [
        ("well", "well"),
        night("well", "mute"),
        night("well", "gone"),
        night("well", "never answers"),
        night("well", "never accepts"),
        night("mute", "well"),
        ("mute", "mute"),
        night("mute, given 10 s", "well"),
        ("mute, given 10 s", "mute"),
        night("gone", "mute"),
        night("never accepts", "well"),
        ("never accepts", "never accepts"),
    ],
)
async def test_whoever_does_not_answer(
    tmp_path: Path, daemons: Daemons, device_is: str, broker_is: str
) -> None:
    async with surroundings(tmp_path) as around:
        file = settings.write(
            tmp_path,
            around.bus(device_is),
            pulsing(**settings.merged(settings.valves_on_off(LONG_PULSE_S), PATIENT)),
            mqtt=settings.mqtt(around.mqtt_port(broker_is)),
        )
        daemon = daemons.begin(file)
        if device_is == "never accepts":
            await until((tmp_path / "control.sock").exists, "the daemon to be at work")
        else:
            await daemon.running()
        await around.silence(daemon, device_is, broker_is)
        if device_is.startswith("mute"):
            asked = around.plant.server.exchange.requests
            await until(lambda: around.plant.server.exchange.requests > asked, "it to be asked")
        await ends_in_time(daemon)


@pytest.mark.parametrize(
    ("kind", "device_is", "broker_is"),
    [
        ("valves_on_off", "well", "well"),
        night("valves_on_off", "well", "mute"),
        night("valves_on_off", "mute", "well"),
        night("valves_on_off", "mute", "mute"),
        night("valves_one_shot", "well", "well"),
        night("valves_one_shot", "well", "mute"),
        night("valves_one_shot", "mute", "well"),
        ("valves_one_shot", "mute", "mute"),
    ],
)
async def test_in_the_middle_of_a_pulse(
    tmp_path: Path, daemons: Daemons, kind: str, device_is: str, broker_is: str
) -> None:
    for n in range(MEETINGS):
        directory = tmp_path / str(n)
        directory.mkdir()
        if await meets_a_pulse(directory, daemons, kind, device_is, broker_is):
            return
    pytest.fail("no pulse was ended, all were waited for")


async def meets_a_pulse(
    directory: Path, daemons: Daemons, kind: str, device_is: str, broker_is: str
) -> bool:
    """Whether SIGTERM has ended a pulse, as far as the device can still tell."""
    over: settings.Table = {"pulsing": {"on_time_s": LONG_PULSE_S}}
    if kind == "valves_on_off":
        over = settings.valves_on_off(LONG_PULSE_S)
    async with surroundings(directory) as around:
        file = settings.write(
            directory,
            around.bus(device_is),
            pulsing(**over),
            mqtt=settings.mqtt(around.mqtt_port(broker_is)),
        )
        daemon = await daemons.start(file)
        await until(lambda: bool(daemon.logged("broker connected")), "the broker")
        await until(lambda: around.plant.unit.energised, "a pulse")
        await around.silence(daemon, device_is, broker_is)
        await ends_in_time(daemon)
        if device_is != "well":
            return True
        assert not around.plant.unit.energised
        met = around.plant.unit.longest_on_s < LONG_PULSE_S
        if met:
            with History(directory / "journal.db") as history:
                events = list(history.all_events("hall-1", None, None))
            after = events[[one.name for one in events].index("stopped") + 1 :]
            (pulse,) = [one for one in after if one.name == "pulse"]
            assert pulse.fields["ended_early"] is True
        return met


@pytest.mark.night
async def test_at_any_moment_of_the_start(tmp_path: Path, daemons: Daemons) -> None:
    """Python itself ends at the signal until the daemon is there to take it."""
    async with device(CLEAN) as plant:
        file = settings.write(tmp_path, settings.tcp_bus(plant.port), pulsing())
        at_work = tmp_path / "control.sock"
        for n in range(3):
            for condition in (lambda: True, at_work.exists, (tmp_path / "journal.db").exists):
                at_work.unlink(missing_ok=True)
                (tmp_path / "journal.db").unlink(missing_ok=True)
                daemon = daemons.begin(file)
                await until(condition, "the moment")
                due_s = time.monotonic() + 0.005 * n
                await until(lambda due_s=due_s: time.monotonic() >= due_s, "it")  # type: ignore[misc]
                await ends_in_time(daemon, {0} if at_work.exists() else {0, -signal.SIGTERM})


async def test_while_a_backlog_is_told(tmp_path: Path, daemons: Daemons) -> None:
    async with (
        running(Broker(tmp_path / "broker")) as broker,
        device(CLEAN) as plant,
        listener(broker) as sub,
    ):
        heard = Heard(sub)
        bus, mqtt = settings.tcp_bus(plant.port), settings.mqtt(broker.port)
        file = settings.write(tmp_path, bus, pulsing(), mqtt=mqtt)
        await fill_outbox(file, 6000)
        daemon = await daemons.start(file)
        await until(lambda: len(heard.events()) > 100, "the backlog to be told")
        await ends_in_time(daemon)
        told = len(heard.gapless())
        assert told < 6000, "it must have been under way"
        await until(lambda: heard.bodies("online")[-1]["online"] is False, "the goodbye")


@pytest.mark.night
async def test_two_collectors_of_which_one_is_dead(tmp_path: Path, daemons: Daemons) -> None:
    """A unit that is silent for as long as ten seconds does not keep the other's valve on."""
    over = settings.merged(settings.valves_on_off(LONG_PULSE_S), PATIENT)
    other = {
        "transmitter": {"unit": 2},
        "outputs": {"unit": 2},
        "contacts": {name: {"unit": 2} for name in ("blower_running", "smoke", "door_open")},
    }
    async with device(CLEAN, CLEAN) as plant:
        file = settings.write(
            tmp_path,
            settings.tcp_bus(plant.port, timeout_s=10.0),
            pulsing(**over),
            pulsing(**settings.merged(over, {"name": "hall-2", **other})),
        )
        daemon = await daemons.start(file)
        await until(lambda: plant[1].energised, "a pulse")
        plant.silence(2)
        await ends_in_time(daemon)
        assert not plant[1].energised
        assert plant[1].longest_on_s < LONG_PULSE_S + SLACK_S


@pytest.mark.night
async def test_a_serial_line_that_is_silent(tmp_path: Path, daemons: Daemons) -> None:
    async with serial_pair(tmp_path) as (near, _):
        bus = {**settings.serial_bus(near), "timeout_s": 10.0, "retries": 5}
        daemon = daemons.begin(settings.write(tmp_path, bus, pulsing(**PATIENT)))
        await until((tmp_path / "control.sock").exists, "the daemon to be at work")
        await ends_in_time(daemon)


async def test_a_name_server_that_does_not_answer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ODD", "names:60")
    monkeypatch.setattr(processes, "DAEMON", [sys.executable, str(ODD)])
    bus = settings.tcp_bus(502, host="dust-module")
    mqtt = settings.mqtt(1883, host="broker-of-the-hall", allow_plaintext=True)
    daemon = Daemon(settings.write(tmp_path, bus, pulsing(), mqtt=mqtt))
    await until((tmp_path / "control.sock").exists, "the daemon to be at work")
    await until(lambda: daemon.log.count("asked for a name") >= 2, "both names to be asked for")
    await ends_in_time(daemon)


@pytest.mark.night
async def test_somebody_asks_and_does_not_listen(tmp_path: Path, daemons: Daemons) -> None:
    async with device(CLEAN) as plant:
        file = settings.write(tmp_path, settings.tcp_bus(plant.port), pulsing())
        daemon = await daemons.start(file)
        with socket.socket(socket.AF_UNIX) as half, socket.socket(socket.AF_UNIX) as deaf:
            for one in (half, deaf):
                one.connect(str(tmp_path / "control.sock"))
            half.sendall(b'{"status": tr')
            deaf.sendall(b'{"status": true}\n' * 50)
            await ends_in_time(daemon)


async def test_a_disk_that_stalls(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The collector cannot decide any more, and its demand contact is closed."""
    stalls = tmp_path / "stalls"
    monkeypatch.setenv("ODD", f"disk:{stalls}")
    monkeypatch.setattr(processes, "DAEMON", [sys.executable, str(ODD)])
    demand: settings.Table = {
        "outputs": {"kind": "demand_contact", "coils": [32], "one_shot_register": None},
        "pulsing": {"on_time_s": None, "sequencer_cycle_s": 4.0},
    }
    async with device(CLEAN) as plant:

        def closed() -> bool:
            return bool(plant.unit.image.read_bits(Table.COILS, 32, 1)[0])

        file = settings.write(tmp_path, settings.tcp_bus(plant.port), pulsing(**demand))
        daemon = Daemon(file)
        await until(closed, "the demand contact to close")
        stalls.touch()
        await until(lambda: "the disk stalls" in daemon.log, "a commit that does not end")
        assert closed()
        began_s = time.monotonic()
        daemon.process.terminate()
        await until(lambda: not closed(), "it to open")
        assert daemon.process.poll() is None, "the valves come first"
        assert await daemon.ended() == 0
        took_s = time.monotonic() - began_s
        print(f"ended after {took_s:.2f} s")
        assert took_s <= WITHOUT_DISK_S + SLACK_S
        assert daemon.logged("the disk does not answer")
        assert "Traceback" not in daemon.log
