"""Real asyncio under simulated time, whose power can be cut between any two of its callbacks.

A cancelled daemon still runs its ``finally`` blocks; one that has lost its power runs nothing.
So a cut here drops every callback that waits, and closes the coroutines left behind while all
doors to the outside refuse them. World events (faults, devices, the disk's thread) are plain
functions with a heap of their own, and outlive any number of daemons.
"""

import asyncio
import contextvars
import gc
import heapq
import inspect
import sys
from collections import deque
from collections.abc import Callable, Coroutine
from itertools import count
from types import CodeType
from typing import Any

CALLBACK_S = 1e-9  # some time always passes, so that what waits for a rounding gets there
LONGEST_INSTANT = 50_000  # callbacks without time passing: more is a loop without end


class PowerLost(BaseException):
    """What is left of a daemon without power meets this at every door."""


class Violation(BaseException):
    """An invariant does not hold. Not an ``Exception``: no daemon code may swallow it.

    ``world``: the one it was found in, with its ledger.
    """

    world: Any = None


class NumberedTask(asyncio.Task[Any]):
    """Its hash is its number, so that sets of tasks are walked alike in every process."""

    def __init__(self, number: int, coro: Coroutine[Any, Any, Any], **kwargs: Any) -> None:
        self.number = number
        super().__init__(coro, **kwargs)

    def __hash__(self) -> int:
        return self.number


Suspended = list[tuple[CodeType, int]]
Thread = Callable[[Callable[..., Any], tuple[Any, ...], "asyncio.Future[Any]"], None]


def _ignore(_generator: object) -> None:
    pass


def _is_suspended(thing: object) -> bool:
    return inspect.isasyncgen(thing) or inspect.iscoroutine(thing)


class SimulatedLoop(asyncio.AbstractEventLoop):
    """One for a whole history; ``live`` runs one daemon on it until it ends or is cut.

    ``thread`` carries out what is given to any executor.
    """

    def __init__(self) -> None:
        self.now_s = 0.0
        self.alive = False
        self.cut_in: int | None = None
        """Cut the power when so many more callbacks have run."""
        self.violation: Violation | None = None
        self.suspended: Suspended = []
        """Where each coroutine of the daemon stood when the power was last cut."""
        self.thread: Thread
        self._order = count()
        self._numbers = count()
        self._ready: deque[asyncio.Handle] = deque()
        self._timers: list[tuple[float, int, asyncio.TimerHandle]] = []
        self._world: list[tuple[float, int, Callable[[], None]]] = []
        self._tasks: list[NumberedTask] = []
        self._threaded: list[asyncio.Future[Any]] = []

    # --- the world

    def at(self, when_s: float, call: Callable[[], None]) -> None:
        """Call ``call`` at ``when_s``, whether a daemon lives then or not."""
        heapq.heappush(self._world, (max(when_s, self.now_s), next(self._order), call))

    def pass_until(self, until_s: float) -> None:
        """Let time pass without a daemon."""
        while self._world and self._world[0][0] <= until_s:
            self._do_world()
        self.now_s = max(self.now_s, until_s)

    def _do_world(self) -> None:
        when_s, _, call = heapq.heappop(self._world)
        self.now_s = max(self.now_s, when_s)
        call()
        if self.violation is not None:
            raise self.violation

    # --- a daemon

    def live(self, main: Coroutine[Any, Any, None]) -> asyncio.Task[None] | None:
        """Run ``main`` to its end and return its task; None when the power was cut before."""
        self.alive = True
        asyncio._set_running_loop(self)
        hooks = sys.get_asyncgen_hooks()
        # A generator left behind by a crash must not be closed, but forgotten.
        sys.set_asyncgen_hooks(firstiter=_ignore, finalizer=_ignore)
        try:
            task = self.create_task(main)
            instant_s, callbacks = self.now_s, 0
            while self.alive and not task.done():
                if not self._ready:
                    self._pass()
                    continue
                if self.cut_in is not None:
                    if self.cut_in <= 0:
                        break
                    self.cut_in -= 1
                if self.now_s > instant_s + 1e-3:
                    instant_s, callbacks = self.now_s, 0
                callbacks += 1
                if callbacks > LONGEST_INSTANT:
                    raise Violation("no time passes any more: a loop without end")
                handle = self._ready.popleft()
                if not handle.cancelled():
                    handle._run()
                    self.now_s += CALLBACK_S
                if self.violation is not None:
                    raise self.violation
            if task.done():
                self._in_order(task)
                return task
            self.suspended = self._where()
            return None
        finally:
            self.alive, self.cut_in = False, None
            self._dispose()
            asyncio._set_running_loop(None)
            sys.set_asyncgen_hooks(*hooks)

    def cut(self) -> None:
        """Cut the power from within a world event: the loop stops before its next callback."""
        self.alive = False

    def check_power(self) -> None:
        """At every door to the outside."""
        if not self.alive:
            raise PowerLost

    def _pass(self) -> None:
        timers = self._timers
        while timers and timers[0][2].cancelled():
            heapq.heappop(timers)
        if self._world and (not timers or self._world[0][0] <= timers[0][0]):
            self._do_world()
            return
        if not timers:
            raise Violation("deadlock: everything waits, and nothing is due")
        self.now_s = max(self.now_s, timers[0][0])
        while timers and timers[0][0] <= self.now_s:
            self._ready.append(heapq.heappop(timers)[2])

    def _in_order(self, main: asyncio.Task[None]) -> None:
        """No task may outlive the daemon, nor hide what it failed of."""
        for task in self._tasks:
            if task is main:
                continue
            if not task.done():
                raise Violation(f"a task is left running: {task}")
            if task._log_traceback:
                raise Violation(f"nobody asked a task for its exception: {task}")

    def _where(self) -> Suspended:
        found: Suspended = []
        for task in self._tasks:
            awaited: Any = None if task.done() else task.get_coro()
            while awaited is not None:
                if inspect.iscoroutine(awaited):
                    frame, awaited = awaited.cr_frame, awaited.cr_await
                elif inspect.isasyncgen(awaited):
                    frame, awaited = awaited.ag_frame, awaited.ag_await
                else:  # the step of an asynchronous generator hides it
                    awaited = next(filter(_is_suspended, gc.get_referents(awaited)), None)
                    continue
                if frame is not None:
                    found.append((frame.f_code, frame.f_lineno))
        return found

    def _dispose(self) -> None:
        """Close what is left, so that no collector of garbage does it at a time of its own."""
        for task in self._tasks:
            if task.done():
                if not task.cancelled():
                    task.exception()  # nobody is left to ask for it
                continue
            task._log_destroy_pending = False  # type: ignore[attr-defined]
            coroutine: Any = task.get_coro()
            for _ in range(20):
                try:
                    coroutine.close()
                    break
                except BaseException:  # noqa: BLE001 -- dying cries of a dead daemon
                    continue
        for future in self._threaded:
            if future.done() and not future.cancelled():
                future.exception()  # the same: it came between the last callback and the cut
        self._threaded.clear()
        self._tasks.clear()
        self._ready.clear()
        self._timers.clear()

    # --- what asyncio asks of a loop

    def time(self) -> float:
        return self.now_s

    def get_debug(self) -> bool:
        return False

    def is_running(self) -> bool:
        return self.alive

    def is_closed(self) -> bool:
        return False

    def create_future(self) -> asyncio.Future[Any]:
        return asyncio.Future(loop=self)

    def create_task(self, coro: Any, **kwargs: Any) -> NumberedTask:
        if not self.alive:
            coro.close()
            raise PowerLost
        task = NumberedTask(next(self._numbers), coro, loop=self, **kwargs)
        if len(self._tasks) > 256:
            self._tasks = [t for t in self._tasks if not t.done()]
        self._tasks.append(task)
        return task

    def call_soon(  # type: ignore[override]
        self,
        callback: Callable[..., object],
        *args: Any,
        context: contextvars.Context | None = None,
    ) -> asyncio.Handle:
        handle = asyncio.Handle(callback, args, self, context)
        if self.alive:
            self._ready.append(handle)
        return handle

    def call_later(  # type: ignore[override]
        self,
        delay: float,
        callback: Callable[..., object],
        *args: Any,
        context: contextvars.Context | None = None,
    ) -> asyncio.TimerHandle:
        return self.call_at(self.now_s + delay, callback, *args, context=context)

    def call_at(  # type: ignore[override]
        self,
        when: float,
        callback: Callable[..., object],
        *args: Any,
        context: contextvars.Context | None = None,
    ) -> asyncio.TimerHandle:
        handle = asyncio.TimerHandle(when, callback, args, self, context)
        if self.alive:
            heapq.heappush(self._timers, (when, next(self._order), handle))
        return handle

    def _timer_handle_cancelled(self, handle: asyncio.TimerHandle) -> None:
        """Cancelled timers are dropped when their time comes."""

    def run_in_executor(  # type: ignore[override]
        self, executor: Any, func: Callable[..., Any], *args: Any
    ) -> asyncio.Future[Any]:
        """Whatever the executor, ``thread`` does it, in simulated time."""
        self.check_power()
        future = self.create_future()
        if len(self._threaded) > 256:
            self._threaded = [f for f in self._threaded if not f.done()]
        self._threaded.append(future)
        self.thread(func, args, future)
        return future

    def call_exception_handler(self, context: dict[str, Any]) -> None:
        if self.alive and "task" not in context:
            error = context.get("exception")
            self.violation = Violation(f"{context.get('message')}: {error!r}")


def new_loop() -> SimulatedLoop:
    """What asyncio's base class has besides, no daemon part under simulation uses."""
    return SimulatedLoop()  # type: ignore[abstract]
