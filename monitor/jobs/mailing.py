"""Sends what waits in the outbox, and notes what came of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from ingest.errors import AftercareError, ConfigurationError, MailUnavailable
from monitor.clock import Clock
from monitor.config import Fleet
from monitor.config.addresses import parse_address
from monitor.jobs.work import ShouldStop, never
from monitor.mail.password import read_password
from monitor.mail.session import PATIENCE, Patience, Session
from monitor.mail.trouble import NotTaken
from monitor.report.words import count
from monitor.store import Store
from monitor.store.outbox import Claimed, claim, list_due, put_off, settle

FIRST_REST_S = 300
LONGEST_REST_S = 3600
GIVE_UP_S = 4 * 86400
LEAST_TRIES = 12  # of a message that is given up: it may be old because we were down, and not the server
# Longer than a conversation about one message can last, so that a claim never ends under a sender that is alive.
LEASE_S = 900
NO_READER = "no longer a reader: the address was taken out of the fleet folder before the message went out"
LOST_IN_A_ROW = 3  # conversations that broke without a message taken, after which a pass ends


@dataclass(slots=True)
class Mailed:
    """What a pass did. `trouble` is why the mail server takes nothing at all, if it does not."""

    sent: int = 0
    given_up: int = 0
    put_off: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    trouble: AftercareError | None = None

    @property
    def failed(self) -> list[str]:
        """Sentences about all that did not go out."""
        return [*([str(self.trouble)] if self.trouble else []), *self.refused, *self.put_off]


def send_waiting(
    fleet: Fleet,
    store: Store,
    clock: Clock,
    *,
    rested_only: bool = True,
    should_stop: ShouldStop = never,
    patience: Patience = PATIENCE,
) -> Mailed:
    """Send what is due, one message after the other; without a [mail] section, nothing.

    `rested_only`: leave those alone that rest after a try that failed.
    """
    if fleet.settings.mail is None:
        return Mailed()
    with store.read() as conn:
        due = list_due(conn, clock(), rested_only=rested_only)
    return _Pass(fleet, store, clock, patience).run(due, should_stop) if due else Mailed()


def summary(mailed: Mailed) -> str:
    """A pass in one line."""
    parts = [f"{count(mailed.sent, 'message', 'messages')} sent"]
    parts += [f"{len(mailed.refused)} refused"] if mailed.refused else []
    parts += [f"{len(mailed.put_off)} put off"] if mailed.put_off else []
    parts += [f"{mailed.given_up} given up"] if mailed.given_up else []
    return ", ".join(parts)


def rest_s(tries: int) -> int:
    """How long a message rests after a number of tries, in seconds: twice as long each time, up to an hour."""
    return min(LONGEST_REST_S, FIRST_REST_S << min(tries - 1, 10))


def current_readers(fleet: Fleet) -> dict[tuple[str, str], set[str]]:
    """Who reads what by now, by kind of digest and site, as servers want the addresses; sites left out say nothing."""
    mail = fleet.settings.mail
    named = {("homeowner", site.id): site.site.homeowner_email for site in fleet.sites}
    named["service", "fleet"] = mail.service_team if mail else ()
    return {key: {parse_address(one).addr_spec for one in readers} for key, readers in named.items()}


class _Pass:
    """One pass over what is due. No transaction is open while the server is spoken to."""

    def __init__(self, fleet: Fleet, store: Store, clock: Clock, patience: Patience) -> None:
        self._fleet, self._store, self._clock, self._patience = fleet, store, clock, patience
        self._readers = current_readers(fleet)
        self._session: Session | None = None
        self._lost = 0  # conversations in a row that broke without a message taken
        self._done = Mailed()

    def run(self, due: Sequence[int], should_stop: ShouldStop) -> Mailed:
        """Send until all is done, somebody wants an end, or the server takes nothing."""
        try:
            for number, letter_id in enumerate(due):
                if should_stop() or self._lost == LOST_IN_A_ROW:
                    break
                try:
                    self._session = self._session or self._open()
                except (MailUnavailable, ConfigurationError) as error:
                    self._done.trouble = error
                    self._rest(due[number:], str(error))
                    break
                self._send(self._session, letter_id)
        finally:
            self._hang_up()
        return self._done

    def _open(self) -> Session:
        mail = self._fleet.settings.mail
        assert mail is not None
        return Session.open(mail, read_password(mail, self._fleet.folder), self._patience)

    def _send(self, session: Session, letter_id: int) -> None:
        with self._store.write() as conn:
            claimed = claim(conn, letter_id, self._clock(), LEASE_S)
        if claimed is None:
            return  # another sender was quicker
        if claimed.recipient not in self._readers.get((claimed.kind, claimed.about), {claimed.recipient}):
            with self._store.write() as conn:
                settle(conn, claimed, self._clock(), "given_up", NO_READER)
            self._done.given_up += 1
            return
        try:
            session.hand_over(claimed.sender, claimed.recipient, claimed.message)
        except NotTaken as error:
            self._note_failure(claimed, error)
            if error.hung_up:
                self._hang_up()
                self._lost += 1
        else:
            with self._store.write() as conn:
                settle(conn, claimed, self._clock(), "sent")
            self._done.sent += 1
            self._lost = 0

    def _note_failure(self, claimed: Claimed, error: NotTaken) -> None:
        if error.permanent:
            with self._store.write() as conn:
                settle(conn, claimed, self._clock(), "refused", str(error))
            self._done.refused.append(str(error))
        else:
            self._put_off([claimed], str(error))
            self._done.put_off.append(str(error))

    def _rest(self, ids: Sequence[int], why: str) -> None:
        """Let all rest that would have been tried, had the server been there."""
        now = self._clock()
        with self._store.write() as conn:
            claimed = [one for letter_id in ids if (one := claim(conn, letter_id, now, LEASE_S)) is not None]
        self._put_off(claimed, why)

    def _put_off(self, letters: Sequence[Claimed], why: str) -> None:
        now = self._clock()
        with self._store.write() as conn:
            for one in letters:
                if now - one.queued_at >= GIVE_UP_S and one.tries >= LEAST_TRIES:
                    settle(conn, one, now, "given_up", why)
                    self._done.given_up += 1
                else:
                    put_off(conn, one, now + rest_s(one.tries), why)

    def _hang_up(self) -> None:
        if self._session is not None:
            self._session.close()
            self._session = None
