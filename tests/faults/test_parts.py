"""The simulation itself: what it does to a daemon is what a crash, a card or a broker would do."""

import asyncio
import sqlite3
from collections.abc import AsyncIterator
from pathlib import Path
from random import Random

import pytest

from dustcake.core.setpoints import OutputKind
from faults.disk import Disk, connect
from faults.loop import PowerLost, SimulatedLoop, Violation, new_loop
from faults.module import Module


def test_a_cut_runs_nothing_of_the_daemon_any_more() -> None:
    loop, said = new_loop(), list[str]()

    async def daemon() -> None:
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(asyncio.sleep(100.0))
                await asyncio.sleep(10.0)
                said.append("after")
        finally:
            loop.check_power()
            said.append("finally")

    loop.at(5.0, loop.cut)
    assert loop.live(daemon()) is None
    assert said == []
    assert loop.now_s == 5.0


def test_time_jumps_and_an_orderly_end_is_told() -> None:
    loop = new_loop()
    task = loop.live(asyncio.sleep(3600.0))
    assert task is not None
    assert task.done()
    assert loop.now_s == pytest.approx(3600.0)


def test_a_task_left_behind_and_a_loop_without_end_are_found() -> None:
    async def careless() -> None:
        asyncio.get_running_loop().create_task(asyncio.sleep(10.0))

    async def busy() -> None:
        while True:  # noqa: ASYNC110
            await asyncio.sleep(0)  # for ever, without time passing

    for daemon, wrong in ((careless, "left running"), (busy, "without end")):
        with pytest.raises(Violation, match=wrong):
            new_loop().live(daemon())


def test_where_a_daemon_stood_is_known_through_generators_too() -> None:
    loop = new_loop()

    async def ticks() -> AsyncIterator[None]:
        while True:
            await asyncio.sleep(1.0)
            yield

    async def daemon() -> None:
        async for _ in ticks():
            pass

    loop.at(5.0, loop.cut)
    loop.live(daemon())
    assert [code.co_name for code, _ in loop.suspended] == ["daemon", "ticks", "sleep"]


class TestCard:
    def card(self, root: Path) -> tuple[SimulatedLoop, Disk]:
        loop = new_loop()
        loop.alive = True
        return loop, Disk(loop, Random(1), root, lambda _name: False)

    def written(self, disk: Disk) -> sqlite3.Connection:
        connection = disk.connect(disk.path, isolation_level=None)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("CREATE TABLE t (a)")
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("INSERT INTO t VALUES (randomblob(9000))")
        return connection

    @pytest.mark.parametrize(("cut", "rows"), [("before", 0), ("torn", 0), ("after", 1)])
    def test_a_commit_cut_by_a_crash_is_there_or_not(
        self, tmp_path: Path, cut: str, rows: int
    ) -> None:
        loop, disk = self.card(tmp_path)
        connection = self.written(disk)
        disk.cut_at = cut
        with pytest.raises(PowerLost):
            connection.execute("COMMIT")
        assert not loop.alive
        disk.survive()
        with disk.reader() as reader:
            assert reader.execute("SELECT count(*) FROM t").fetchone() == (rows,)
            assert reader.execute("PRAGMA integrity_check").fetchone() == ("ok",)

    def test_what_the_dead_still_write_does_not_count(self, tmp_path: Path) -> None:
        _, disk = self.card(tmp_path)
        connection = self.written(disk)
        disk.survive()
        with pytest.raises(sqlite3.ProgrammingError):
            connection.execute("COMMIT")
        with disk.reader() as reader:
            assert reader.execute("SELECT count(*) FROM t").fetchone() == (0,)

    @pytest.mark.parametrize("what", ["header", "t"])
    def test_damage_is_damage(self, tmp_path: Path, what: str) -> None:
        _, disk = self.card(tmp_path)
        self.written(disk).execute("COMMIT")
        disk.close()
        disk.damage(what)
        broken = connect(disk.path)
        with pytest.raises(sqlite3.DatabaseError):
            broken.execute("SELECT * FROM t").fetchall()
        broken.close()


class TestModule:
    def module(self, watchdog_s: float = 10.0) -> tuple[Module, list[float], list[str]]:
        now_s, wrong = [0.0], list[str]()
        return Module(lambda: now_s[0], watchdog_s, lambda: False, wrong.append), now_s, wrong

    def test_objects_to_two_valves(self) -> None:
        module, _, wrong = self.module()
        module.energise(1, OutputKind.VALVES_ON_OFF, 0.2)
        module.energise(2, OutputKind.VALVES_ON_OFF, 0.2)
        assert wrong == ["two valves at once: 2 with [1]"]

    def test_objects_to_a_valve_left_on_and_drops_it(self) -> None:
        module, now_s, wrong = self.module()
        module.energise(1, OutputKind.VALVES_ON_OFF, 0.2)
        now_s[0] = 60.0
        assert not module.on()
        assert wrong == ["valve 1 on for 9.80 s beyond its bound"]

    def test_ends_a_one_shot_itself(self) -> None:
        module, now_s, wrong = self.module()
        module.energise(1, OutputKind.VALVES_ONE_SHOT, 0.2)
        now_s[0] = 0.3
        assert not module.on()
        assert wrong == []
