"""Daemon, simulator and broker as processes that are killed again and again, with a bad network
between them and a witness at each end: the device's own log of its valves, and a subscriber."""

import asyncio
import os
import signal
import subprocess
import time
from collections import Counter
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from enum import StrEnum
from pathlib import Path
from random import Random

from dustcake.adapters.store import History
from processes.ledger import NAME, Ledger
from processes.proxy import FRAMES_STAY_WHOLE, BadNetwork
from system_support import settings
from system_support.broker import PATIENCE_S, Broker, free_port, until
from system_support.processes import SIMULATOR, Daemon, Daemons

INTERVAL_S = 1.0
QUICK: settings.Table = {
    "poll_s": 0.2,
    "stale_after_s": 1.0,
    "cleaning": {"mode": "timed", "fallback_delay_s": 0.5, "fallback_interval_s": INTERVAL_S},
    "pulsing": {"interval_s": INTERVAL_S, "report_timeout_s": 2.0},
    "outputs": {"retry_s": 1.0},
}
"""Pulses all the time, whatever is read, and everything found out soon."""


class Victim(StrEnum):
    """What is killed, and when."""

    STARTING = "the daemon, just started"
    PULSING = "the daemon, while a valve is on"
    TELLING = "the daemon, just when something has been told"
    DAEMON = "the daemon, at any moment"
    DEVICE = "the device, at any moment"
    DEVICE_PULSING = "the device, while a valve is on"
    BROKER = "the broker, at any moment"


WEIGHTS = {
    Victim.STARTING: 4,
    Victim.PULSING: 6,
    Victim.TELLING: 3,
    Victim.DAEMON: 3,
    Victim.DEVICE: 2,
    Victim.DEVICE_PULSING: 2,
    Victim.BROKER: 4,
}


def shuffled_victims(chance: Random, count: int) -> list[Victim]:
    """``count`` of them, in proportion to their weights, in any order."""
    places = [(n / weight, victim) for victim, weight in WEIGHTS.items() for n in range(weight)]
    deck = [victim for _, victim in sorted(places)]  # one of each comes first
    victims = [deck[n % len(deck)] for n in range(count)]
    chance.shuffle(victims)
    return victims


class Simulated:
    """`python -m dustcake_sim` on one port, whenever it runs."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self.valve_log = folder / "valves.jsonl"
        self.log_path = folder / "simulator.log"
        self.deaths_s: list[float] = []
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, without waiting for anything."""
        options = ["welding_cell", "--port", str(self.port), "--valve-log", str(self.valve_log)]
        with self.log_path.open("ab") as log:
            self.process = subprocess.Popen([*SIMULATOR, *options], stdout=log, stderr=log)

    def kill(self) -> None:
        """As a power cut does."""
        assert self.process is not None
        assert self.process.poll() is None, self.log_path.read_text()
        self.process.kill()
        self.process.wait(PATIENCE_S)
        self.deaths_s.append(time.monotonic())

    def end(self) -> int:
        """SIGTERM; its exit code."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(PATIENCE_S)
        self.deaths_s.append(time.monotonic())
        return code

    @property
    def edges(self) -> int:
        """How many lines its valve log has."""
        return self.valve_log.read_bytes().count(b"\n") if self.valve_log.exists() else 0

    @property
    def pulsing(self) -> bool:
        """Whether the log's last whole line is of a valve that got power.

        The file may be there before its first line is.
        """
        if not self.valve_log.exists():
            return False
        whole, _, _ = self.valve_log.read_bytes().rpartition(b"\n")
        return b'"event": "on"' in whole.rpartition(b"\n")[2]


class Campaign:
    """The processes, and what is done to them. Made by ``campaign``."""

    def __init__(self, folder: Path, daemons: Daemons, seed: int) -> None:
        self.folder = folder
        self.journal = folder / "journal.db"
        self.chance = Random(seed)
        # Nothing waits within the broker, where a kill would lose it.
        without_limits = ("max_queued_messages 0", "max_inflight_messages 0")
        self.broker = Broker(folder / "broker", persistent=True, extra=without_limits)
        self.simulated = Simulated(folder)
        self.ledger = Ledger(self.broker)
        self.field_side = BadNetwork(self.simulated.port, Random(f"{seed} field"))
        self.plant_side = BadNetwork(
            self.broker.port, Random(f"{seed} plant"), troubles=FRAMES_STAY_WHOLE
        )
        self.kills: Counter[Victim] = Counter()
        self.in_pulse = 0
        """How many kills of the daemon found a valve on."""
        self.largest_kb: list[int] = []
        """Most memory each killed daemon had, if it lived long enough to run."""
        self._admitted = 0
        self._at_work = folder / "control.sock"
        self._daemons = daemons
        self.daemon: Daemon
        self.settings: Path

    def use(self, *over: settings.Table) -> None:
        """Write the settings for the daemons started from now on."""
        collector = settings.collector(**QUICK)
        for table in over:
            collector = settings.merged(collector, table)
        self.settings = settings.write(
            self.folder,
            settings.tcp_bus(self.field_side.port, timeout_s=0.2),
            collector,
            mqtt=settings.mqtt(self.plant_side.port, keepalive_s=5),
        )

    def start_daemon(self) -> None:
        """Start a daemon, without waiting for anything."""
        self._at_work.unlink(missing_ok=True)
        self.daemon = self._daemons.begin(self.settings)

    async def kill(self, victim: Victim) -> None:
        """Kill the victim at its moment, and start it again."""
        match victim:
            case Victim.DEVICE | Victim.DEVICE_PULSING:
                await self._moment(victim)
                self.simulated.kill()
                await asyncio.sleep(self.chance.uniform(0.0, 0.3))
                self.simulated.start()
            case Victim.BROKER:
                # Mosquitto answers before it has saved: only while somebody listens, and has heard
                # all of a burst, is what it has acknowledged sure not to be lost.
                await until(self._somebody_listens, "the ledger to be let in")
                await self._moment(victim)
                await self._all_heard()
                self.broker.kill()
                await asyncio.sleep(self.chance.uniform(0.0, 0.3))
                self._admitted = self.ledger.connections
                await self.broker.start()
            case _:
                await self._moment(victim)
                assert self.daemon.process.poll() is None, self.daemon.log
                self.in_pulse += self.simulated.pulsing
                self._note_memory()
                self.daemon.kill()
                assert self.daemon.process.returncode == -signal.SIGKILL
                self.start_daemon()
        self.kills[victim] += 1

    async def _all_heard(self) -> None:
        heard = -1
        while heard != len(self.ledger.subscriber.lines):
            heard = len(self.ledger.subscriber.lines)
            await asyncio.sleep(0.1)

    def _somebody_listens(self) -> bool:
        return self.ledger.connections > self._admitted

    async def _moment(self, victim: Victim) -> None:
        chance = self.chance
        match victim:
            case Victim.STARTING if chance.random() < 0.3:
                await asyncio.sleep(chance.uniform(0.0, 0.5))
            case Victim.STARTING:
                await soon(self._at_work.exists, PATIENCE_S)
                await asyncio.sleep(chance.uniform(0.0, 0.05))
            case Victim.PULSING | Victim.DEVICE_PULSING:
                await soon(lambda: self.simulated.pulsing, PATIENCE_S)
                await asyncio.sleep(chance.uniform(0.0, 0.2))
            case Victim.TELLING:
                lines = len(self.ledger.subscriber.lines)
                await soon(lambda: len(self.ledger.subscriber.lines) > lines, 3.0)
                await asyncio.sleep(chance.uniform(0.0, 0.01))
            case Victim.DAEMON:
                await asyncio.sleep(chance.uniform(0.5, 5.0))
            case _:
                await asyncio.sleep(chance.uniform(0.0, 1.0))

    def _note_memory(self) -> None:
        status = Path(f"/proc/{self.daemon.process.pid}/status").read_text()
        (line,) = (line for line in status.splitlines() if line.startswith("VmHWM"))
        if self.daemon.logged("running"):
            self.largest_kb.append(int(line.split()[1]))

    async def in_the_end(self) -> int:
        """Peace: a daemon that has told everything, ended in order; its exit code."""
        for side in (self.field_side, self.plant_side):
            side.calm = True
            side.reset_all()
        self.daemon.kill()
        self.start_daemon()
        await self.daemon.running()
        await until(lambda: bool(self.daemon.logged("broker connected")), "the broker", 30)
        before = self.simulated.edges
        await until(lambda: self.simulated.edges >= before + 4, "pulses in peace", 30)
        await until(self._all_told, "the backlog to be told", 90)
        code = await self.daemon.terminate()
        await until(self._all_told, "the last events")
        return code

    def _all_told(self) -> bool:
        with History(self.journal) as history:
            *_, last = history.all_events(NAME, None, None)
        return self.ledger.tells(f'"seq": {last.seq}, "event"'.encode())


@asynccontextmanager
async def campaign(folder: Path, daemons: Daemons, seed: int) -> AsyncIterator[Campaign]:
    """Everything but the daemon started; all of it ended afterwards."""
    one = Campaign(folder, daemons, seed)
    async with AsyncExitStack() as stack:
        stack.callback(one.broker.stop)
        await one.broker.start()
        await stack.enter_async_context(one.ledger.subscriber)
        saved = one.broker.folder / "mosquitto.db"
        await until(saved.exists, "the session to be saved")
        one.simulated.start()
        stack.callback(one.simulated.kill)
        await stack.enter_async_context(one.field_side)
        await stack.enter_async_context(one.plant_side)
        yield one


async def soon(condition: Callable[[], bool], patience_s: float) -> None:
    """Return when ``condition`` holds, or when it has not for long enough."""
    give_up_s = time.monotonic() + patience_s
    await until(lambda: condition() or time.monotonic() >= give_up_s, "time to pass")


def seed_of(default: int) -> int:
    """DUSTCAKE_SEED of the environment, or else this one; printed, to run it again."""
    seed = int(os.environ.get("DUSTCAKE_SEED", default))
    print(f"DUSTCAKE_SEED={seed}", flush=True)
    return seed
