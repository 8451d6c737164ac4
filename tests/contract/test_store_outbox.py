"""What the outbox promises, on both databases."""

from __future__ import annotations

import threading
from dataclasses import replace
from typing import Any

import pytest

from monitor.store import Store
from monitor.store.outbox import (
    Claimed,
    Letter,
    claim,
    last_period,
    last_sent,
    list_due,
    list_mail,
    put_off,
    queue,
    settle,
    unqueued,
)

OWNER = Letter(
    kind="homeowner",
    about="larkrise",
    period="2026-08",
    recipient="owner@example.org",
    sender="aftercare@example.org",
    message_id="<first@example.org>",
    message=b"Subject: first\r\n\r\n\x00\xff",
)
OTHER = replace(OWNER, recipient="other@example.org")
AGAIN = replace(OWNER, message_id="<second@example.org>", message=b"second")
LEASE_S = 100


def taken(store: Store, now: int) -> Claimed:
    """The one letter that is due, claimed."""
    with store.write() as conn:
        (letter_id,) = list_due(conn, now)
        claimed = claim(conn, letter_id, now, LEASE_S)
    assert claimed is not None
    return claimed


def test_a_digest_is_queued_once_for_each_reader(store: Store) -> None:
    with store.write() as conn:
        assert queue(conn, [OWNER, OTHER, OWNER], 10) == 2
        assert queue(conn, [AGAIN], 20, again=True) == 0
        assert queue(conn, [replace(AGAIN, period="2026-09")], 20) == 1
        assert len(list_due(conn, 20)) == 3
        assert unqueued(conn, "homeowner", "larkrise", "2026-08", ["new@example.org", "owner@example.org"]) == [
            "new@example.org"
        ]


def test_a_queued_digest_that_is_undone_was_never_decided(store: Store) -> None:
    def queue_and_fail() -> None:
        with store.write() as conn:
            queue(conn, [OWNER], 10)
            raise KeyError("half-way")

    with pytest.raises(KeyError, match="half-way"):
        queue_and_fail()
    with store.write() as conn:
        assert queue(conn, [AGAIN], 20) == 1


def test_a_letter_comes_back_byte_for_byte_and_its_bytes_go_when_it_is_sent(store: Store) -> None:
    with store.write() as conn:
        queue(conn, [OWNER], 10)
    claimed = taken(store, 11)
    assert (claimed.message, claimed.recipient, claimed.sender) == (OWNER.message, OWNER.recipient, OWNER.sender)
    assert (claimed.tries, claimed.queued_at, claimed.claimed_until) == (1, 10, 111)
    with store.write() as conn:
        assert settle(conn, claimed, 12, "sent")
        assert list_due(conn, 10_000) == []
        assert last_sent(conn) == 12
        assert queue(conn, [AGAIN], 20, again=True) == 0
        assert conn.exec_driver_sql("SELECT message FROM outbox").scalars().all() == [None]


def test_only_one_sender_has_a_letter_until_the_claim_ends(store: Store) -> None:
    with store.write() as conn:
        queue(conn, [OWNER], 10)
    first = taken(store, 10)
    with store.write() as conn:
        assert list_due(conn, 109) == []
        assert claim(conn, first.id, 109, LEASE_S) is None
    second = taken(store, 110)
    assert (second.tries, second.message) == (2, OWNER.message)
    with store.write() as conn:
        assert not settle(conn, first, 111, "sent")  # the first one woke up too late to say anything
        assert not put_off(conn, first, 999, "late")
        assert settle(conn, second, 112, "refused", "no such reader")
        assert [(m.state, m.trouble) for m in list_mail(conn, "waiting", "sent", "refused")] == [
            ("refused", "no such reader")
        ]


def test_senders_in_a_race_share_the_letters(store: Store, place: Any) -> None:
    with store.write() as conn:
        queue(conn, [replace(OWNER, about=f"home{n}") for n in range(30)], 10)
    got: list[int] = []

    def work() -> None:
        own = place.open()
        with own.read() as conn:
            due = list_due(conn, 10)
        for letter_id in due:
            with own.write() as conn:
                if claim(conn, letter_id, 10, LEASE_S) is not None:
                    got.append(letter_id)
        own.close()

    workers = [threading.Thread(target=work) for _ in range(3)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert len(got) == len(set(got)) == 30


def test_a_letter_rests_and_the_longest_due_goes_first(store: Store) -> None:
    with store.write() as conn:
        queue(conn, [OWNER, OTHER], 10)
        first, second = list_due(conn, 10)
        claimed = claim(conn, first, 10, LEASE_S)
        assert claimed is not None
        assert put_off(conn, claimed, 500, "busy")
        assert list_due(conn, 499) == [second]
        assert list_due(conn, 500) == [second, first]
        assert list_due(conn, 20, rested_only=False) == [second, first]
        waiting = {m.recipient: (m.tries, m.next_try_at, m.trouble) for m in list_mail(conn, "waiting")}
        assert waiting == {"owner@example.org": (1, 500, "busy"), "other@example.org": (0, 10, "")}


def test_what_was_refused_goes_out_anew_only_when_it_is_asked_for(store: Store) -> None:
    with store.write() as conn:
        queue(conn, [OWNER], 10)
    claimed = taken(store, 10)
    with store.write() as conn:
        settle(conn, claimed, 11, "refused", "no such reader")
        assert unqueued(conn, "homeowner", "larkrise", "2026-08", [OWNER.recipient]) == []
        assert unqueued(conn, "homeowner", "larkrise", "2026-08", [OWNER.recipient], again=True) == [OWNER.recipient]
        assert queue(conn, [AGAIN], 20) == 0
        assert list_mail(conn, "refused", settled_since=12) == []
        assert len(list_mail(conn, "refused", settled_since=11)) == 1
        assert queue(conn, [AGAIN], 20, again=True) == 1
    assert taken(store, 20).message == b"second"


def test_what_was_given_up_only_ever_goes_out_as_it_was(store: Store) -> None:
    with store.write() as conn:
        queue(conn, [OWNER], 10)
    claimed = taken(store, 10)
    with store.write() as conn:
        settle(conn, claimed, 11, "given_up", "hung up after the message")
        assert queue(conn, [AGAIN], 20, again=True) == 1
        assert conn.exec_driver_sql("SELECT message_id FROM outbox").scalars().all() == [OWNER.message_id]
    anew = taken(store, 20)
    assert (anew.message, anew.queued_at, anew.tries) == (OWNER.message, 20, 1)


def test_the_last_period_before_one_is_of_what_was_not_refused(store: Store) -> None:
    with store.write() as conn:
        queue(conn, [replace(OWNER, period=period) for period in ("2026-05", "2026-07", "2026-08")], 10)
        assert last_period(conn, "homeowner", "larkrise", before="2026-08") == "2026-07"
        assert last_period(conn, "service", "larkrise", before="2026-08") is None
        for letter_id in list_due(conn, 10):
            claimed = claim(conn, letter_id, 10, LEASE_S)
            if claimed is not None and letter_id == list_due(conn, 10 + LEASE_S)[1]:
                settle(conn, claimed, 20, "refused", "550 no")
        assert last_period(conn, "homeowner", "larkrise", before="2026-08") == "2026-05"
