"""Digests on their way by mail: each is kept until a server took it, refused it, or did not take it for days."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy import ColumnElement, Connection, func, insert, or_, select, update

from monitor.store import schema
from monitor.store.rows import records, to_row

MailState = Literal["waiting", "sent", "refused", "given_up"]

_c = schema.outbox.c


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """A digest for one reader, as it goes over the wire. (kind, about, period, recipient) are its key."""

    kind: str
    about: str
    period: str
    recipient: str
    sender: str
    message_id: str
    message: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Claimed:
    """A letter that is ours to send until `claimed_until`."""

    id: int
    kind: str
    about: str
    recipient: str
    sender: str
    message: bytes
    queued_at: int
    tries: int  # this one counted
    claimed_until: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MailEntry:
    """How a letter stands; instants."""

    kind: str
    about: str
    period: str
    recipient: str
    state: MailState
    queued_at: int
    tries: int
    next_try_at: int
    settled_at: int | None
    trouble: str


def queue(conn: Connection, letters: Iterable[Letter], now: int, *, again: bool = False) -> int:
    """Queue letters whose key is new, and return how many were; a key that is known is left as it is.

    With `again`, what a server refused is replaced by the letter as it is now, and what was given up is tried anew:
    that one may have arrived, so it only ever goes out as it was, under its own Message-ID.
    """
    queued = 0
    for letter in letters:
        fresh = {"state": "waiting", "queued_at": now, "tries": 0, "next_try_at": now, "settled_at": None}
        key = _is_key(letter.kind, letter.about, letter.period) & (_c.recipient == letter.recipient)
        state = conn.execute(select(_c.state).where(key)).scalar()
        if state is None:
            conn.execute(insert(schema.outbox), to_row(letter) | fresh | {"trouble": ""})
        elif again and state == "refused":
            conn.execute(update(schema.outbox).where(key).values(**to_row(letter), **fresh))
        elif again and state == "given_up":
            conn.execute(update(schema.outbox).where(key).values(**fresh))
        else:
            continue
        queued += 1
    return queued


def unqueued(
    conn: Connection, kind: str, about: str, period: str, recipients: Collection[str], *, again: bool = False
) -> list[str]:
    """Those of some recipients for whom `queue` would do anything."""
    done = ("waiting", "sent") if again else ("waiting", "sent", "refused", "given_up")
    query = select(_c.recipient).where(_is_key(kind, about, period), _c.state.in_(done))
    known = set(conn.execute(query).scalars())
    return [recipient for recipient in dict.fromkeys(recipients) if recipient not in known]


def list_due(conn: Connection, now: int, *, rested_only: bool = True) -> list[int]:
    """Letters that wait and that nobody works on, the longest due first; `rested_only`: whose rest is over."""
    query = select(_c.id).where(_is_free(now)).order_by(_c.next_try_at, _c.id)
    if rested_only:
        query = query.where(_c.next_try_at <= now)
    return list(conn.execute(query).scalars())


def claim(conn: Connection, letter_id: int, now: int, lease_s: int) -> Claimed | None:
    """Take a letter for `lease_s` seconds; None if it is somebody else's by now, or settled.

    A sender that dies leaves a claim that ends by itself.
    """
    mine = update(schema.outbox).where(_c.id == letter_id, _is_free(now))
    if conn.execute(mine.values(claimed_until=now + lease_s, tries=_c.tries + 1)).rowcount != 1:
        return None
    columns = [_c[name] for name in Claimed.__dataclass_fields__]
    return records(Claimed, conn.execute(select(*columns).where(_c.id == letter_id)))[0]


def settle(conn: Connection, claimed: Claimed, now: int, state: MailState, trouble: str = "") -> bool:
    """Note what finally came of a letter; False if the claim had ended and another sender took it meanwhile."""
    values: dict[str, Any] = {"state": state, "settled_at": now, "trouble": trouble}
    if state == "sent":
        values["message"] = None  # the row stays as the proof that it was sent; the store does not grow with pages
    return _release(conn, claimed, values)


def put_off(conn: Connection, claimed: Claimed, until: int, trouble: str) -> bool:
    """Let a letter rest; False if the claim had ended and another sender took it meanwhile."""
    return _release(conn, claimed, {"next_try_at": until, "trouble": trouble})


def list_mail(conn: Connection, *states: MailState, settled_since: int | None = None) -> list[MailEntry]:
    """Letters in some states, in the order they were queued; those that are settled only since an instant."""
    columns = [_c[name] for name in MailEntry.__dataclass_fields__]
    query = select(*columns).where(_c.state.in_(states)).order_by(_c.queued_at, _c.id)
    if settled_since is not None:
        query = query.where(_c.settled_at >= settled_since)
    return records(MailEntry, conn.execute(query))


def last_sent(conn: Connection) -> int | None:
    """When a server last took a letter."""
    at: int | None = conn.execute(select(func.max(_c.settled_at)).where(_c.state == "sent")).scalar()
    return at


def last_period(conn: Connection, kind: str, about: str, *, before: str) -> str | None:
    """The last period before one of which a digest was queued and not refused; None if there is none."""
    query = select(func.max(_c.period)).where(
        _c.kind == kind, _c.about == about, _c.period < before, _c.state.in_(("waiting", "sent"))
    )
    period: str | None = conn.execute(query).scalar()
    return period


def _is_key(kind: str, about: str, period: str) -> ColumnElement[bool]:
    return (_c.kind == kind) & (_c.about == about) & (_c.period == period)


def _is_free(now: int) -> ColumnElement[bool]:
    return (_c.state == "waiting") & or_(_c.claimed_until.is_(None), _c.claimed_until <= now)


def _release(conn: Connection, claimed: Claimed, values: dict[str, Any]) -> bool:
    # A claim is known by its end: the next one can only begin when it is over, and so ends later.
    mine = update(schema.outbox).where(_c.id == claimed.id, _c.claimed_until == claimed.claimed_until)
    return conn.execute(mine.values(**values, claimed_until=None)).rowcount == 1
