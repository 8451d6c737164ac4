"""What keeping findings promises, on both databases."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import exc

from monitor.detect.finding import Finding
from monitor.store import Store
from monitor.store.as_it_was import findings_as_it_was, losses_as_it_was
from monitor.store.findings import (
    FindingEvent,
    Loss,
    add_events,
    finding_event,
    list_events,
    list_findings,
    read_losses,
    rewind_findings,
    save_findings,
    write_losses,
)

DAY_1 = date(2026, 6, 1)


def day(number: int) -> date:
    """Local days, counted from 1."""
    return DAY_1 + timedelta(days=number - 1)


def finding(name: str, raised: int, **other: Any) -> Finding:
    return Finding(
        **{
            "id": name, "site": "larkrise", "subject": "string:s1", "cause": "failed_string", "level": "urgent",
            "state": "open", "since": day(raised - 1), "raised": day(raised), "cleared": None,
            "last_seen": day(raised), "confidence": 0.9, "lost_kwh": 1.5, "lost_kwh_low": 1.0, "lost_kwh_high": 2.25,
            "lost_money": None, "summary": "String s1 is dead – since \u201cyesterday\u201d", **other,
        }
    )  # fmt: skip


def keep(store: Store, *findings: Finding, night: int, what: str = "raised") -> None:
    with store.write() as conn:
        save_findings(conn, findings)
        add_events(conn, [finding_event(f, day(night), what) for f in findings])


def test_a_finding_comes_back_as_it_was_kept(store: Store) -> None:
    rich = finding(
        "a",
        3,
        lost_money=0.42,
        evidence={"ratio": 0.5, "days": [1, 2], "deep": {"none": None}},
        advice={"service": "Go"},
    )
    cleared = finding("b", 2, state="cleared", cleared=day(9))
    elsewhere = finding("c", 1, site="elsewhere")
    with store.write() as conn:
        save_findings(conn, [elsewhere, finding("a", 3, summary="older"), cleared])
        save_findings(conn, [rich])
        assert list_findings(conn) == [elsewhere, rich]
        assert list_findings(conn, include_cleared=True) == [elsewhere, cleared, rich]
        assert list_findings(conn, site="larkrise", include_cleared=True) == [cleared, rich]


def test_an_event_holds_the_whole_finding_as_plain_json(store: Store) -> None:
    first = finding("a", 1, evidence={"worst": day(1), "ratio": float("nan")})
    event = finding_event(first, day(1), "raised")
    snapshot = event.detail["finding"]
    assert (event.finding_id, event.night, event.what) == ("a", day(1), "raised")
    assert snapshot.keys() == {*Finding.__slots__}
    assert (snapshot["since"], snapshot["cleared"]) == ("2026-05-31", None)
    assert snapshot["evidence"] == {"worst": "2026-06-01", "ratio": None}
    keep(store, first, night=1)
    with store.read() as conn:
        assert list_events(conn) == [event]


def test_events_are_told_by_night_and_then_as_they_were_added(store: Store) -> None:
    a, b = finding("a", 1), finding("b", 2, site="elsewhere")
    keep(store, a, night=5, what="cleared")
    keep(store, a, night=1)
    keep(store, b, night=5)
    keep(store, a, night=5, what="reopened")
    with store.read() as conn:
        assert [e.what for e in list_events(conn, finding_id="a")] == ["raised", "cleared", "reopened"]
        assert [(e.finding_id, e.what) for e in list_events(conn, first=day(2))] == [
            ("a", "cleared"), ("b", "raised"), ("a", "reopened"),
        ]  # fmt: skip
        assert [e.finding_id for e in list_events(conn, site="elsewhere")] == ["b"]


def test_an_event_of_an_unknown_finding_is_an_error(store: Store) -> None:
    with pytest.raises(exc.IntegrityError, match="(?i)foreign key"), store.write() as conn:
        add_events(conn, [FindingEvent("nobody", day(1), "raised")])


def test_the_loss_that_the_latest_night_counted_holds(store: Store) -> None:
    keep(store, finding("a", 2), finding("b", 2, site="elsewhere"), night=2)
    late, early = Loss("a", day(1), 2.0, 1.0, 3.0, day(4)), Loss("a", day(1), 1.0, 0.5, 1.5, day(2))
    second = Loss("a", day(2), 4.0, 3.0, 5.0, day(2))
    with store.write() as conn:
        write_losses(conn, [late, second, Loss("b", day(1), 9.0, 9.0, 9.0, day(2))])
        write_losses(conn, [early, replace(second, lost_kwh=4.5)])
        assert read_losses(conn, site="larkrise") == [late, replace(second, lost_kwh=4.5)]
        assert read_losses(conn, site="larkrise", first=day(2)) == [replace(second, lost_kwh=4.5)]
        assert read_losses(conn, site="larkrise", last=day(1)) == [late]
        rewind_findings(conn, site="larkrise", from_day=day(3))
        assert read_losses(conn, site="larkrise", last=day(1)) == [early]


def test_rewinding_returns_what_did_not_exist_as_it_was_last(store: Store) -> None:
    keep(store, finding("old", 1), night=1)
    keep(store, finding("new", 3), finding("elsewhere", 3, site="elsewhere"), night=3)
    grown = finding("new", 3, lost_kwh=8.0)
    keep(store, grown, night=4, what="seen")
    with store.write() as conn:
        assert rewind_findings(conn, site="larkrise", from_day=day(2)) == [grown]
        assert [f.id for f in list_findings(conn)] == ["elsewhere", "old"]
        assert rewind_findings(conn, site="larkrise", from_day=day(2)) == []


def test_rewinding_goes_by_nights_and_among_those_of_one_by_order(store: Store) -> None:
    wanted = finding("a", 1, lost_kwh=5.5)
    for night, lost in ((5, 5.0), (5, 5.5), (1, 1.0), (7, 7.0)):
        keep(store, replace(wanted, lost_kwh=lost), night=night)
    with store.write() as conn:
        assert rewind_findings(conn, site="larkrise", from_day=day(6)) == []
        assert list_findings(conn) == [wanted]


def state(store: Store) -> tuple[Any, ...]:
    with store.read() as conn:
        return (
            list_findings(conn, include_cleared=True),
            list_events(conn),
            read_losses(conn, site="larkrise"),
            read_losses(conn, site="elsewhere"),
        )


def live_a_night(store: Store, chance: random.Random, night: int) -> None:
    """Findings of one site are raised, grow, clear and open again, and days before are counted anew."""
    with store.write() as conn:
        open_or_not = list_findings(conn, site="larkrise", include_cleared=True)
        changed = [
            replace(
                f, lost_kwh=round(chance.random(), 3), state=state, cleared=day(night) if state == "cleared" else None,
                last_seen=day(night), level=chance.choice(["visit", "urgent"]), evidence={"n": chance.randrange(9)},
            )
            for f in open_or_not
            if chance.random() < 0.4
            for state in [chance.choice(["open", "cleared"])]
        ]  # fmt: skip
        if chance.random() < 0.5:
            changed.append(finding(f"{night}-{chance.randrange(10**6)}", night))
        save_findings(conn, changed)
        add_events(conn, [finding_event(f, day(night), "changed") for f in changed])
        back = [(f, day(night - chance.randrange(4))) for f in changed]
        write_losses(conn, [Loss(f.id, at, round(chance.random(), 3), 0.0, 1.0, day(night)) for f, at in back])


@pytest.mark.parametrize("seed", range(4))
def test_rewinding_to_any_night_brings_back_what_was_there_before_it(store: Store, seed: int) -> None:
    chance = random.Random(seed)
    keep(store, finding("elsewhere", 9, site="elsewhere"), night=9)
    with store.write() as conn:
        write_losses(conn, [Loss("elsewhere", day(9), 1.0, 0.0, 2.0, day(9))])
    before: dict[int, tuple[Any, ...]] = {}
    night = 1
    for _ in range(8):
        for _ in range(chance.randint(1, 4)):
            before[night] = state(store)
            live_a_night(store, chance, night)
            night += 1
        target = chance.randint(1, night - 1)
        there = {f.id: f for f in state(store)[0]}
        with store.write() as conn:
            gone = rewind_findings(conn, site="larkrise", from_day=day(target))
        assert state(store) == before[target]
        assert gone == [there[f.id] for f in gone]
        assert {f.id for f in gone} == there.keys() - {f.id for f in before[target][0]}
        night = target


def test_a_finding_is_told_as_a_night_of_the_past_had_left_it(store: Store) -> None:
    first = finding("a", 2)
    keep(store, first, finding("b", 5), night=2)
    keep(store, replace(first, lost_kwh=9.0), night=4, what="seen")
    keep(store, replace(first, lost_kwh=9.5), night=4, what="renamed")
    with store.read() as conn:
        known = [findings_as_it_was(conn, "larkrise", ["a"], day(n)) for n in (1, 2, 3, 4, 9)]
    assert [one["a"].lost_kwh if one else None for one in known] == [None, 1.5, 1.5, 9.5, 9.5]


def test_losses_are_told_as_a_night_of_the_past_had_counted_them(store: Store) -> None:
    keep(store, finding("a", 2), finding("b", 2), night=2)
    with store.write() as conn:
        write_losses(conn, [Loss("a", day(2), 1.0, 0.9, 1.1, day(2)), Loss("a", day(2), 2.0, 1.9, 2.1, day(5))])
        write_losses(conn, [Loss("a", day(1), 4.0, 3.0, 5.0, day(3)), Loss("b", day(2), 7.0, 7.0, 7.0, day(2))])

        def told(night: int) -> list[float]:
            return [loss.lost_kwh for loss in losses_as_it_was(conn, "a", first=day(1), night=day(night))]

        assert (told(1), told(2), told(3), told(5)) == ([], [1.0], [4.0, 1.0], [4.0, 2.0])
