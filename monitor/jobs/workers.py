"""Threads that work at different places beside each other; one that hangs costs its own place and nothing else."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Collection, Hashable, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

Result = TypeVar("Result")
Place = Hashable


@dataclass(frozen=True, slots=True)
class Task(Generic[Result]):
    """A piece of work, how long [s] it may take before it counts as hanging, and what is said of it then."""

    work: Callable[[], Result]
    patience_s: float
    late: Callable[[], Result]


@dataclass(slots=True)
class _Busy(Generic[Result]):
    """What a place's thread has still to do, the present task first, and how long that one may take."""

    tasks: list[Task[Result]]
    until: float
    late: bool = False


@dataclass(frozen=True, slots=True)
class _Done(Generic[Result]):
    place: Place
    task: Task[Result]
    result: Result


class Workers(Generic[Result]):
    """At most `limit` threads at work, one a place, not counting those that hang.

    A thread cannot be ended from outside: one that hangs is left behind, and its place is busy until it comes back.
    The threads do not keep the process from ending.
    """

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._busy: dict[Place, _Busy[Result]] = {}
        self._done: queue.SimpleQueue[_Done[Result]] = queue.SimpleQueue()

    def has_room(self) -> bool:
        """Whether another thread may start."""
        return self.at_work < self._limit

    @property
    def at_work(self) -> int:
        """How many threads have not come back and do not hang."""
        return sum(not busy.late for busy in self._busy.values())

    @property
    def places(self) -> Collection[Place]:
        """Where somebody is at work, or hangs."""
        return self._busy.keys()

    def start(self, place: Place, tasks: Sequence[Task[Result]]) -> None:
        """Work at a place that is not busy, one task after the other; a task must not raise."""
        assert place not in self._busy, f"{place} is busy"
        thread = threading.Thread(target=self._run, args=[place, tuple(tasks)], daemon=True)
        self._busy[place] = _Busy(list(tasks), time.monotonic() + tasks[0].patience_s)
        thread.start()

    def wait(self, wait_s: float) -> list[Result]:
        """What was done since the last call; waits for it if there is nothing yet."""
        results: list[Result] = []
        while True:
            try:
                done = self._done.get(timeout=0.0 if results else wait_s)
            except queue.Empty:
                return results
            results.append(done.result)
            self._go_on(done)

    def newly_late(self) -> list[Result]:
        """What is to be said of tasks that began to hang since the last call, and of those that wait behind them."""
        now = time.monotonic()
        late = [busy for busy in self._busy.values() if not busy.late and now > busy.until]
        for busy in late:
            busy.late = True
        return [task.late() for busy in late for task in busy.tasks]

    def _go_on(self, done: _Done[Result]) -> None:
        busy = self._busy[done.place]
        busy.tasks.remove(done.task)
        if not busy.tasks:
            del self._busy[done.place]
        else:
            busy.late, busy.until = False, time.monotonic() + busy.tasks[0].patience_s

    def _run(self, place: Place, tasks: Sequence[Task[Result]]) -> None:
        for task in tasks:
            self._done.put(_Done(place, task, task.work()))
