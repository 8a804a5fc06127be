"""Step, commit, act, report back: the order, and what happens when a part of it fails."""

import asyncio
import json

import pytest

from core.driver import BASE, board, chosen
from dustcake.core.commands import AllValvesOff, Command, FireValve
from dustcake.core.inputs import (
    FailureKind,
    Measured,
    OperatorRequested,
    Outcome,
    PollCompleted,
    ReadFailure,
    Restarted,
    Stopping,
    Woke,
)
from dustcake.core.requests.kinds import Mode, SelectMode
from dustcake.ports import Commit, OutputReport
from dustcake.runtime.engine import MakeInput
from ports.fake_store import FakeStore
from runtime.benchwork import Bench, running
from runtime.simulated_time import run

# After a start the header gets one whole interval before the first pulse.
FIRST_PULSE_S = BASE.pulsing.interval_s + 1.0


def test_valves_are_commanded_off_before_anything_else() -> None:
    async def story() -> None:
        async with running() as bench:
            await bench.until(lambda: bool(bench.field.commands))
            assert isinstance(bench.field.commands[0], AllValvesOff)
            assert isinstance(bench.store.commits[0].inputs[0], Restarted)

    run(story())


class WatchfulOutputs:
    """Notes, for each pulse, whether its intent was on disk when it was fired."""

    def __init__(self, store: FakeStore) -> None:
        self.store = store
        self.intended: list[bool] = []

    async def execute(self, command: Command) -> OutputReport:
        if isinstance(command, FireValve):
            flight = self.store.commits[-1].state.pulsing.in_flight
            self.intended.append(flight is not None and flight.command_id == command.command_id)
        return OutputReport(Outcome.DONE)


def test_the_intent_of_a_pulse_is_committed_before_the_valve_moves() -> None:
    async def story() -> None:
        store = FakeStore()
        outputs = WatchfulOutputs(store)
        async with running(store=store, outputs=outputs) as bench:
            bench.dp = Measured(1100.0)
            await bench.poll_for(60.0)
        assert len(outputs.intended) >= 4
        assert all(outputs.intended)

    run(story())


def test_the_outcome_comes_back_and_is_recorded() -> None:
    async def story() -> None:
        async with running() as bench:
            bench.dp = Measured(1100.0)
            await bench.poll_for(FIRST_PULSE_S + 25.0)
            assert bench.engine.state.pulsing.in_flight is None
        assert bench.field.fired[:3] == [2, 4, 1]
        assert bench.events().count("pulse") == len(bench.field.fired)

    run(story())


def test_quiet_samples_wait_for_the_flush_and_are_all_kept() -> None:
    async def story() -> None:
        async with running() as bench:
            await bench.poll_for(20.0)
            before = len(bench.store.commits)
            await bench.poll_for(20.0)
            assert 3 <= len(bench.store.commits) - before <= 5  # one in five seconds
        polls = [i for c in bench.store.commits for i in c.inputs if isinstance(i, PollCompleted)]
        assert len(polls) == 40

    run(story())


def test_it_wakes_when_the_core_asked_though_nothing_is_read() -> None:
    async def story() -> None:
        async with running() as bench:
            await bench.poll_for(5.0)
            await asyncio.sleep(BASE.stale_after_s + 0.1)
            assert bench.engine.state.sample.reasons[0].code == "stale"
        assert any(isinstance(i, Woke) for c in bench.store.commits for i in c.inputs)

    run(story())


def test_state_is_taken_up_again_after_a_restart() -> None:
    async def story() -> None:
        store = FakeStore()
        async with running(store=store) as bench:
            bench.dp = Measured(1100.0)
            await bench.poll_for(30.0)
            counts, seq = bench.engine.state.pulsing.counts, bench.engine.state.next_seq
        async with running(store=store) as again:
            assert again.engine.state.pulsing.counts == counts
            assert again.engine.state.next_seq > seq
        seqs = [e.seq for c in store.commits for e in c.events]
        assert seqs == list(range(1, len(seqs) + 1))

    run(story())


def asking(mode: Mode, by: str) -> MakeInput:
    return lambda at: OperatorRequested(at, SelectMode(mode), by, "id-1")


class TestJournalFails:
    def test_nothing_is_fired_and_the_alarm_is_told_live(self) -> None:
        async def story() -> None:
            async with running() as bench:
                await bench.poll_for(5.0)
                bench.store.fault = "disk full"
                bench.dp = Measured(1100.0)
                await bench.poll_for(40.0)
                assert bench.field.fired == []
                assert isinstance(bench.field.commands[-1], AllValvesOff)
                alarm = json.loads(bench.told("alarm/journal_fault")[-1])
                assert alarm["state"] == "unacknowledged"
                assert "disk full" in alarm["reason"]
                bench.store.fault = None

        run(story())

    def test_every_event_is_stored_once_the_journal_is_back(self) -> None:
        async def story() -> None:
            async with running() as bench:
                await bench.poll_for(5.0)
                bench.store.fault = "disk full"
                bench.dp = Measured(1100.0)
                await bench.poll_for(40.0)
                bench.store.fault = None
                await bench.poll_for(30.0)
                assert bench.field.fired  # and cleaning goes on
            seqs = [e.seq for c in bench.store.commits for e in c.events]
            assert seqs == list(range(1, len(seqs) + 1))
            assert "journal_changed" in bench.events()

        run(story())

    def test_a_pulse_under_way_is_ended(self) -> None:
        async def story() -> None:
            async with running() as bench:
                await bench.poll_for(FIRST_PULSE_S)
                bench.field.pulse_ends.clear()  # this pulse would last for ever
                bench.dp = Measured(1100.0)
                await bench.poll_for(1.5)
                assert bench.field.on
                bench.store.fault = "disk full"
                bench.dp = ReadFailure(FailureKind.LOST, "gone")  # something to be written
                await bench.poll_for(1.0)
                assert not bench.field.on
                bench.store.fault = None

        run(story())

    def test_a_pulse_whose_commit_fails_is_withheld_and_not_a_fault_of_the_outputs(self) -> None:
        async def story() -> None:
            async with running() as bench:
                await bench.poll_for(FIRST_PULSE_S)
                bench.store.fault = "disk full"
                bench.dp = Measured(1100.0)
                await bench.poll_for(2.0)
                assert bench.engine.state.outputs.fault == ""
                bench.store.fault = None
                await bench.poll_for(10.0)
            assert "pulse_failed" in bench.events()
            assert "outputs_changed" not in bench.events()

        run(story())


class TestStop:
    def test_ends_a_pulse_proves_all_off_and_stores_it_within_two_seconds(self) -> None:
        async def story() -> None:
            async with running() as bench:
                await bench.poll_for(FIRST_PULSE_S)
                bench.field.pulse_ends.clear()
                bench.dp = Measured(1100.0)
                await bench.poll_for(1.5)
                assert bench.field.on
                began_s = bench.clock.now().mono_s
                await bench.engine.post(Stopping)
                await bench.until(lambda: bench.engine.state.stopping)
            assert bench.clock.now().mono_s - began_s < 2.0
            assert not bench.field.on
            assert bench.events()[-3:] == ["stopped", "cleaning_stopped", "pulse"]
            last = bench.store.commits[-1].state
            assert last.outputs.proved
            assert last.pulsing.in_flight is None

        run(story())

    def test_does_not_wait_for_ever_for_outputs_that_do_not_answer(self) -> None:
        class Deaf:
            async def execute(self, command: Command) -> OutputReport:
                await asyncio.Event().wait()
                raise AssertionError("never set")

        async def story() -> None:
            async with running(outputs=Deaf()) as bench:
                began_s = bench.clock.now().mono_s
                await bench.engine.post(Stopping)
                await bench.until(lambda: bench.events().count("stopped") == 1)
            assert bench.clock.now().mono_s - began_s <= 2.0

        run(story())


class TestRequests:
    def test_are_answered_and_act(self) -> None:
        async def story() -> None:
            async with running() as bench:
                await bench.poll_for(2.0)
                event = await bench.engine.request(asking(Mode.OFF, "local:somebody"))
                assert event.body.accepted  # type: ignore[attr-defined]
                assert bench.engine.state.mode is Mode.OFF

        run(story())

    def test_the_same_request_twice_at_once_acts_once_and_is_answered_twice(self) -> None:
        async def story() -> None:
            async with running() as bench:
                both = await asyncio.gather(
                    bench.engine.request(asking(Mode.TIMED, "one")),
                    bench.engine.request(asking(Mode.TIMED, "one")),
                )
                assert all(event.body.accepted for event in both)  # type: ignore[attr-defined]
            assert bench.events().count("mode_selected") == 1

        run(story())


def test_measurements_come_at_their_interval_and_at_once_when_quality_changes() -> None:
    async def story() -> None:
        async with running() as bench:
            await bench.poll_for(31.0)
            assert len(bench.told("measurement")) == 4
            bench.dp = ReadFailure(FailureKind.TIMEOUT, "no reply")
            await bench.poll_for(1.0)
            last = json.loads(bench.told("measurement")[-1])
            assert last["dp"]["value"] is None
            assert last["dp"]["quality"] == "failure"

    run(story())


def test_the_watchdog_is_fed_by_steps_and_by_nothing_else() -> None:
    async def story() -> None:
        async with running() as bench:
            await bench.poll_for(5.0)
            fed = bench.fed_times
            assert fed >= 5
            # Nothing to do, so nothing is fed: a stuck poller shows.
            await bench.until(lambda: bench.engine.state.sample.pa is None)
            fed = bench.fed_times
            await asyncio.sleep(30.0)
            assert bench.fed_times <= fed + 4  # its alarm and fallback delays end

    run(story())


def test_a_bug_in_an_adapter_ends_the_engine_instead_of_going_unseen() -> None:
    class Broken:
        async def execute(self, command: Command) -> OutputReport:
            raise ZeroDivisionError

    async def story() -> None:
        bench = Bench(BASE, FakeStore(), Broken())
        with pytest.raises(ExceptionGroup) as caught:
            await bench.engine.run()
        assert caught.group_contains(ZeroDivisionError)

    run(story())


class FailingStore(FakeStore):
    """Meets a bug once ``fails``."""

    fails = False

    async def commit(self, commit: Commit) -> str | None:
        if self.fails:
            raise ZeroDivisionError
        return await super().commit(commit)


def test_a_bug_leaves_no_demand_contact_closed() -> None:
    async def story() -> None:
        store = FailingStore()
        bench = Bench(board(settle_s=0.0), store, None)
        ended = asyncio.create_task(bench.engine.run())
        await bench.engine.started.wait()
        bench.dp = Measured(1100.0)
        await bench.poll_for(20.0)
        assert bench.field.on == {"demand"}
        store.fails = True
        await bench.poll_for(10.0)
        with pytest.raises(ExceptionGroup) as caught:
            await ended
        assert caught.group_contains(ZeroDivisionError)
        assert not bench.field.on

    run(story())


def test_commits_hold_only_what_is_to_be_stored() -> None:
    async def story() -> None:
        async with running(chosen(settle_s=0.0)) as bench:
            await bench.poll_for(5.0)
        kept = [p.keep for c in bench.store.commits for p in c.publications]
        assert kept
        assert "live" not in kept

    run(story())


class SlowStore(FakeStore):
    """Takes a second to commit, as a card with a stalled write does."""

    async def commit(self, commit: Commit) -> str | None:
        await asyncio.sleep(1.0)
        return await super().commit(commit)


def test_a_slow_disk_delays_but_reorders_nothing() -> None:
    async def story() -> None:
        async with running(store=SlowStore()) as bench:
            bench.dp = Measured(1100.0)
            await bench.poll_for(60.0, every_s=0.5)
        stamps = [i.at.mono_s for c in bench.store.commits for i in c.inputs]
        assert stamps == sorted(stamps)

    run(story())
