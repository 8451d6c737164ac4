"""How the mail stands: what waits, what was refused or given up lately, when something last went out."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from monitor.clock import iso
from monitor.mail.trouble import masked
from monitor.report.digest import edition_name
from monitor.store.outbox import MailEntry, last_sent, list_mail

TOLD_S = 35 * 86400  # so that the digest of one month is told of until the next one


@dataclass(frozen=True, slots=True)
class MailStanding:
    """What waits in the outbox, and what left it unsent."""

    waiting: tuple[MailEntry, ...]
    unsent: tuple[MailEntry, ...]  # refused or given up
    last_sent: int | None

    def as_document(self) -> dict[str, Any]:
        """The mail as other programs read it; instants in UTC with their offset, addresses shortened."""
        return {
            "last_sent": iso(self.last_sent),
            "waiting": [_document(entry) | {"next_try": iso(entry.next_try_at)} for entry in self.waiting],
            "unsent": [
                _document(entry) | {"state": entry.state, "settled": iso(entry.settled_at)} for entry in self.unsent
            ],
        }

    def as_text(self, local: Callable[[int | None], str]) -> Iterator[str]:
        """The mail for a person; nothing where there never was any."""
        if not self.waiting and not self.unsent and self.last_sent is None:
            return
        yield f"mail: {len(self.waiting)} waiting, {len(self.unsent)} refused or given up, last sent " + local(
            self.last_sent
        )
        for entry in self.unsent:
            yield f"  {entry.state.replace('_', ' ')}: {_line(entry)} on {local(entry.settled_at)}: {entry.trouble}"
        for entry in self.waiting:
            tried = f", next try {local(entry.next_try_at)}: {entry.trouble}" if entry.trouble else ""
            yield f"  waiting: {_line(entry)} since {local(entry.queued_at)}{tried}"


def look_at_mail(conn: Connection, now: int) -> MailStanding:
    """Gather the standing; writes nothing."""
    unsent = list_mail(conn, "refused", "given_up", settled_since=now - TOLD_S)
    return MailStanding(tuple(list_mail(conn, "waiting")), tuple(unsent), last_sent(conn))


def _document(entry: MailEntry) -> dict[str, Any]:
    return {
        "digest": edition_name(entry.kind, entry.about, entry.period),
        "recipient": masked(entry.recipient),
        "queued": iso(entry.queued_at),
        "tries": entry.tries,
        "trouble": entry.trouble or None,
    }


def _line(entry: MailEntry) -> str:
    return f"{edition_name(entry.kind, entry.about, entry.period)} to {masked(entry.recipient)}"
