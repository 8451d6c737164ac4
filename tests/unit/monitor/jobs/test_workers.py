"""Threads beside each other: results as they come, a bound on their number, one that hangs left behind."""

from __future__ import annotations

import threading
from collections.abc import Callable

from monitor.jobs.workers import Task, Workers

LONG_S = 60.0


def task(work: Callable[[], str], patience_s: float = LONG_S) -> Task[str]:
    return Task(work, patience_s, lambda: "late")


def waiting(event: threading.Event, result: str) -> Callable[[], str]:
    def work() -> str:
        event.wait(LONG_S)
        return result

    return work


def gathered(workers: Workers[str], count: int) -> list[str]:
    results: list[str] = []
    while len(results) < count:
        results += workers.wait(LONG_S)
    return results


def test_a_quick_one_does_not_wait_for_a_slow_one() -> None:
    workers: Workers[str] = Workers(2)
    go = threading.Event()
    workers.start("a", [task(waiting(go, "slow"))])
    workers.start("b", [task(lambda: "quick")])
    assert gathered(workers, 1) == ["quick"]
    assert (list(workers.places), workers.at_work, workers.has_room()) == (["a"], 1, True)
    go.set()
    assert gathered(workers, 1) == ["slow"]
    assert (list(workers.places), workers.at_work) == ([], 0)


def test_what_is_to_be_done_at_one_place_is_done_in_order() -> None:
    workers: Workers[str] = Workers(8)
    workers.start("a", [task(lambda: "first"), task(lambda: "second"), task(lambda: "third")])
    assert gathered(workers, 3) == ["first", "second", "third"]
    assert list(workers.places) == []


def test_there_is_room_for_so_many_and_one_that_hangs_takes_none() -> None:
    workers: Workers[str] = Workers(1)
    go = threading.Event()
    workers.start("a", [task(waiting(go, "at last"), patience_s=0.0), task(lambda: "and then")])
    assert not workers.has_room()
    assert workers.wait(0.01) == []
    assert workers.newly_late() == ["late", "late"]  # and what waits behind it
    assert workers.newly_late() == []
    assert (list(workers.places), workers.at_work, workers.has_room()) == (["a"], 0, True)
    go.set()
    assert gathered(workers, 2) == ["at last", "and then"]
    assert list(workers.places) == []
