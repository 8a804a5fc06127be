"""Daemons with one rule of order broken each. A campaign that cannot tell them is worth nothing."""

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

from dustcake.adapters.mqtt.link import MqttLink
from dustcake.adapters.store import SqliteStore, schema
from dustcake.adapters.store import journal_file as opening
from dustcake.core.commands import AllValvesOff, Command
from dustcake.core.inputs import Input, Restarted, Stamp
from dustcake.core.setpoints import Setpoints
from dustcake.core.state import OutputsState, State
from dustcake.core.step import Step, step
from dustcake.ports import Commit, OutputReport
from dustcake.publish.topics import Keep, Publication
from dustcake.runtime.actuator import Actuator
from dustcake.runtime.engine import Engine
from faults.world import Decide


@dataclass(frozen=True)
class Mutant:
    """What is put in place of the real core, engine, or parts of the adapters."""

    name: str
    decide: Callable[[], Decide] = lambda: step
    engine: type[Engine] = Engine
    patches: Callable[[], AbstractContextManager[Any]] = field(default=nullcontext)


# --- the engine


class ActsBeforeCommit(Engine):
    async def _keep_and_act(
        self, now_s: float, commands: Sequence[Command], told: Sequence[Publication]
    ) -> None:
        for command in commands:
            self._actuator.submit(command)
        await super()._keep_and_act(now_s, (), told)


class LosesReports(Engine):
    """One in five outcomes never gets to the core."""

    _n = 0

    def _reported(self, command_id: int, report: OutputReport) -> None:
        self._n += 1
        if self._n % 5:
            super()._reported(command_id, report)


class SafetyWaitsForTheDisk(Engine):
    """What only makes things safer waits for its commit, as everything else does."""

    async def _keep_and_act(
        self, now_s: float, commands: Sequence[Command], told: Sequence[Publication]
    ) -> None:
        failed = await self._commit() if commands else None
        if failed is not None:
            commands = [c for c in commands if isinstance(c, AllValvesOff)]
        await super()._keep_and_act(now_s, commands, told)


class TellsEventsUnstored(Engine):
    """While the journal cannot be written events are told all the same."""

    async def _keep_and_act(
        self, now_s: float, commands: Sequence[Command], told: Sequence[Publication]
    ) -> None:
        if self._journal_retry_s is not None and now_s < self._journal_retry_s:
            for publication in told:
                if publication.keep is Keep.EVENT:
                    self._live(publication)
        await super()._keep_and_act(now_s, commands, told)


class ForgetsThatTheJournalWorks(Engine):
    """A journal fault that was stored stays for ever."""

    async def run(self) -> None:
        real, retry = Engine._handle, self

        async def handle(engine: Engine, happened: Input) -> None:
            if isinstance(happened, Restarted):
                retry._journal_retry_s = None
            await real(engine, happened)

        with patch.object(Engine, "_handle", handle):
            await super().run()


# --- the core


def no_all_off_on_restart(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """Believes that the valves are off when it starts."""
    after = step(state, happened, setpoints)
    if not isinstance(happened, Restarted):
        return after
    commands = tuple(c for c in after.commands if not isinstance(c, AllValvesOff))
    return replace(after, commands=commands, state=replace(after.state, outputs=OutputsState(True)))


def seq_from_one_again(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """Numbers its events from 1 at every start."""
    if isinstance(happened, Restarted):
        state = replace(state, next_seq=1)
    return step(state, happened, setpoints)


def hidden_state() -> Decide:
    """Remembers something outside its state: here, when it last fired."""
    fired_s = [0.0]

    def decide(state: State, happened: Input, setpoints: Setpoints) -> Step:
        pulsing = replace(state.pulsing, last_s=max(state.pulsing.last_s, fired_s[0]))
        after = step(replace(state, pulsing=pulsing), happened, setpoints)
        fired_s[0] = max(fired_s[0], after.state.pulsing.last_s)
        return after

    return decide


def wall_clock(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """Waits by the time of day."""
    at = happened.at
    if at.utc_s is None:
        return step(state, happened, setpoints)
    ahead_s = at.utc_s - at.mono_s
    told = replace(happened, at=Stamp(at.utc_s, at.utc_s))
    after = step(state, told, setpoints)
    wake_at_s = None if after.wake_at_s is None else max(after.wake_at_s - ahead_s, at.mono_s + 1.0)
    events = tuple(replace(event, at=at) for event in after.events)
    return replace(after, events=events, wake_at_s=wake_at_s)


def repeats_interrupted(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """Numbers the commands of a start as those before the crash."""
    flight = state.pulsing.in_flight
    if isinstance(happened, Restarted) and flight is not None:
        state = replace(state, next_command=flight.command_id)
    return step(state, happened, setpoints)


def drops_alarms_at_restart(state: State, happened: Input, setpoints: Setpoints) -> Step:
    """Starts without alarms."""
    if isinstance(happened, Restarted):
        state = replace(state, alarms=())
    return step(state, happened, setpoints)


# --- the adapters


@contextmanager
def outbox_outside() -> Iterator[None]:
    """What is to be told is stored in a transaction of its own."""
    whole = SqliteStore.commit

    async def commit(self: SqliteStore, commit: Commit) -> str | None:
        failed = await whole(self, replace(commit, publications=()))
        if failed is None and commit.publications:
            await whole(self, replace(commit, inputs=(), events=()))
        return failed

    with patch.object(SqliteStore, "commit", commit):
        yield


@contextmanager
def deleted_before_ack() -> Iterator[None]:
    """Forgets a publication when it is sent, not when it is acknowledged."""

    async def drain(self: MqttLink, connection: Any) -> None:
        while True:
            for queued in await self._outbox.pending(1):
                await self._outbox.delivered([queued.ref])
                await connection.deliver(queued.publication)
            await self._outbox.wait()

    with patch.object(MqttLink, "_drain", drain):
        yield


@contextmanager
def all_off_waits_its_turn() -> Iterator[None]:
    """An all-off ends nothing and overtakes nothing."""

    def submit(self: Actuator, command: Command) -> None:
        self._waiting.append(command)
        self._changed.set()

    with patch.object(Actuator, "submit", submit):
        yield


@contextmanager
def moved_aside_first() -> Iterator[None]:
    """A damaged journal is moved aside before what can be read of it is anywhere else."""

    def start_afresh(path: Path) -> sqlite3.Connection:
        aside = path.with_name(f"{path.name}.damaged-first")
        path.with_name(path.name + "-wal").unlink(missing_ok=True)
        path.rename(aside)
        connection = opening._open_sound(path)
        with opening.transaction(connection):
            for table in schema.KEYS:
                opening._carry_over(aside, connection, table)
        return connection

    with patch.object(opening, "start_afresh", start_afresh):
        yield


MUTANTS = (
    Mutant("act before commit", engine=ActsBeforeCommit),
    Mutant("outbox outside the transaction", patches=outbox_outside),
    Mutant("no all-off on restart", decide=lambda: no_all_off_on_restart),
    Mutant("hidden state in the core", decide=hidden_state),
    Mutant("a wall-clock deadline", decide=lambda: wall_clock),
    Mutant("reports of outputs dropped", engine=LosesReports),
    Mutant("deleted from the outbox before the acknowledgement", patches=deleted_before_ack),
    Mutant("seq from 1 after a restart", decide=lambda: seq_from_one_again),
    Mutant("command ids used again", decide=lambda: repeats_interrupted),
    Mutant("alarms dropped at a restart", decide=lambda: drops_alarms_at_restart),
    Mutant("all-off waits its turn", patches=all_off_waits_its_turn),
    # What the campaign found in this daemon, put back.
    Mutant("an all-off waits for the disk", engine=SafetyWaitsForTheDisk),
    Mutant("events told before they are stored", engine=TellsEventsUnstored),
    Mutant("damaged journal moved aside too early", patches=moved_aside_first),
    Mutant("a stored journal fault stays", engine=ForgetsThatTheJournalWorks),
)
