"""Passes over the outbox, with a mail server of the test's own and a clock that stands where it is put."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from ingest.errors import ConfigurationError, MailUnavailable
from monitor.config import Fleet, load_fleet
from monitor.jobs.mail_standing import look_at_mail
from monitor.jobs.mailing import GIVE_UP_S, LEASE_S, NO_READER, Mailed, rest_s, send_waiting, summary
from monitor.mail.session import PATIENCE, Patience
from monitor.store import Store
from monitor.store.outbox import Letter, claim, list_due, list_mail, queue
from tests.mail_server import MailServer

HASTY = Patience(answer=10, after_message=10, whole=60)
NOW = 1_750_000_000


def letter(name: str) -> Letter:
    return Letter(
        kind="homeowner",
        about=name,
        period="2025-05",
        recipient=f"{name}@example.org",
        sender="aftercare@example.org",
        message_id=f"<{name}@example.org>",
        message=f"Message-ID: <{name}@example.org>\r\n\r\nPage of {name}\r\n".encode(),
    )


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    store = Store.open("sqlite:///aftercare.db", tmp_path)
    yield store
    store.close()


@pytest.fixture
def server() -> Iterator[MailServer]:
    with MailServer() as server:
        yield server


@pytest.fixture
def make_fleet(fleet_folder: Path) -> Callable[..., Fleet]:
    """A fleet whose mail goes to a server."""
    bare = (fleet_folder / "fleet.toml").read_text()

    def make(server: MailServer, **changes: object) -> Fleet:
        (fleet_folder / "fleet.toml").write_text(bare + server.section(**changes))
        return load_fleet(fleet_folder)

    return make


def fill(store: Store, *names: str, at: int = NOW) -> None:
    with store.write() as conn:
        queue(conn, [letter(name) for name in names], at)


def states(store: Store) -> dict[str, tuple[Any, ...]]:
    with store.read() as conn:
        every = list_mail(conn, "waiting", "sent", "refused", "given_up")
    return {one.about: (one.state, one.tries, one.next_try_at - NOW) for one in every}


def attempt(fleet: Fleet, store: Store, now: int = NOW, **options: Any) -> Mailed:
    return send_waiting(fleet, store, lambda: now, patience=HASTY, **options)


def test_all_that_is_due_goes_out_in_one_conversation(
    store: Store, server: MailServer, make_fleet: Callable[..., Fleet]
) -> None:
    fill(store, "elm", "oak", "ash")
    done = attempt(make_fleet(server), store)
    assert (done.sent, done.failed, summary(done)) == (3, [], "3 messages sent")
    assert [mail.recipients for mail in server.mails] == [["elm@example.org"], ["oak@example.org"], ["ash@example.org"]]
    assert server.mails[0].data == letter("elm").message
    assert server.manners.connections == 1
    assert attempt(make_fleet(server), store).sent == 0
    assert server.manners.connections == 1  # nobody is called for nothing


def test_one_refusal_and_one_putting_off_leave_the_others_going(
    store: Store, server: MailServer, make_fleet: Callable[..., Fleet]
) -> None:
    answers = {"elm@example.org": "550 5.1.1 nobody", "oak@example.org": "450 4.2.0 greylisted"}
    server.manners.on_recipient = answers.get
    fill(store, "elm", "oak", "ash")
    fleet = make_fleet(server)
    done = attempt(fleet, store)
    assert summary(done) == "1 message sent, 1 refused, 1 put off"
    assert states(store) == {"elm": ("refused", 1, 0), "oak": ("waiting", 1, 300), "ash": ("sent", 1, 0)}
    server.manners.on_recipient = lambda _: None
    assert attempt(fleet, store, NOW + 299).sent == 0
    assert attempt(fleet, store, NOW + 300).sent == 1
    assert states(store)["elm"] == ("refused", 1, 0)  # stays so, and is told
    with store.read() as conn:
        standing = look_at_mail(conn, NOW + 400)
    assert list(standing.as_text(str)) == [
        f"mail: 0 waiting, 1 refused or given up, last sent {NOW + 300}",
        f"  refused: home-elm-2025-05 to e…@example.org on {NOW}: localhost:{server.port} did not take the recipient: "
        "550 5.1.1 nobody",
    ]


def test_each_try_rests_twice_as_long_up_to_an_hour_and_after_days_it_is_given_up(
    store: Store, server: MailServer, make_fleet: Callable[..., Fleet]
) -> None:
    assert [rest_s(n) for n in range(1, 8)] == [300, 600, 1200, 2400, 3600, 3600, 3600]
    assert rest_s(10_000) == 3600
    server.manners.on_data = lambda _: "451 4.3.0 not now"
    fill(store, "elm")
    fleet = make_fleet(server)
    now, tries = NOW, 0
    while states(store)["elm"][0] == "waiting":
        attempt(fleet, store, now)
        tries += 1
        assert states(store)["elm"][1] == tries
        now = NOW + states(store)["elm"][2]
    assert NOW + GIVE_UP_S <= now < NOW + GIVE_UP_S + 3600
    assert states(store)["elm"][0] == "given_up"
    with store.read() as conn:
        document = look_at_mail(conn, now).as_document()
    assert document["waiting"] == []
    assert document["unsent"][0]["state"] == "given_up"
    assert document["unsent"][0]["recipient"] == "e…@example.org"
    assert document["unsent"][0]["trouble"].endswith("did not take the message: 451 4.3.0 not now")


def test_what_is_old_because_we_were_down_is_not_given_up_at_once(
    store: Store, server: MailServer, make_fleet: Callable[..., Fleet]
) -> None:
    server.manners.on_data = lambda _: "451 4.3.0 not now"
    fill(store, "elm", at=NOW - 2 * GIVE_UP_S)
    attempt(make_fleet(server), store)
    assert states(store)["elm"][0] == "waiting"


def test_a_break_after_the_message_sends_the_same_message_again(
    store: Store, server: MailServer, make_fleet: Callable[..., Fleet]
) -> None:
    server.manners.on_data = lambda _: "drop"
    fill(store, "elm")
    fleet = make_fleet(server)
    done = attempt(fleet, store)
    assert done.put_off == [f"localhost:{server.port} hung up at the message, which it may have taken all the same"]
    server.manners.on_data = lambda _: None
    assert attempt(fleet, store, NOW + 300).sent == 1
    first, second = server.mails
    assert first == second
    assert first.message["Message-ID"] == "<elm@example.org>"


def test_a_server_that_ends_conversations_is_called_again_and_left_after_three(
    store: Store, server: MailServer, make_fleet: Callable[..., Fleet]
) -> None:
    names = [f"home{n}" for n in range(6)]
    fill(store, *names)
    fleet = make_fleet(server)
    server.manners.on_recipient = lambda address: "421 4.7.0 enough" if address.startswith(("home1", "home3")) else None
    assert summary(attempt(fleet, store)) == "4 messages sent, 2 put off"
    assert server.manners.connections == 3

    server.manners.on_recipient = lambda _: "drop"
    fill(store, *(f"house{n}" for n in range(6)))
    assert len(attempt(fleet, store).put_off) == 3
    tries = {name: state[1] for name, state in states(store).items() if name.startswith("house")}
    assert tries == {"house0": 1, "house1": 1, "house2": 1, "house3": 0, "house4": 0, "house5": 0}
    server.manners.on_recipient = lambda _: None  # what nobody has tried goes first next time
    attempt(fleet, store)
    assert [m.recipients[0].partition("@")[0] for m in server.mails[-3:]] == ["house3", "house4", "house5"]


def test_a_server_that_is_not_there_is_told_and_everything_rests(
    store: Store, server: MailServer, make_fleet: Callable[..., Fleet]
) -> None:
    fill(store, "elm", "oak")
    fleet = make_fleet(server)
    port = server.port
    server.stop()
    done = attempt(fleet, store)
    assert isinstance(done.trouble, MailUnavailable)
    assert str(done.trouble).startswith(f"the mail server localhost:{port} refused the connection")
    assert states(store) == {"elm": ("waiting", 1, 300), "oak": ("waiting", 1, 300)}
    with store.read() as conn:
        assert look_at_mail(conn, NOW).as_document()["waiting"][0]["trouble"] == str(done.trouble)
    assert attempt(fleet, store, NOW + 10).trouble is None  # it rests
    assert attempt(fleet, store, NOW + 10, rested_only=False).trouble is not None  # unless somebody asks
    assert states(store)["elm"] == ("waiting", 2, 610)


def test_a_missing_password_is_told_and_loses_nothing(
    store: Store, server: MailServer, make_fleet: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NO_SUCH_SECRET", raising=False)
    fill(store, "elm")
    done = attempt(make_fleet(server, username="u", password_env="NO_SUCH_SECRET"), store)
    assert isinstance(done.trouble, ConfigurationError)
    assert states(store) == {"elm": ("waiting", 1, 300)}
    assert server.manners.connections == 0


def test_without_a_mail_section_nothing_is_touched(store: Store, fleet_folder: Path) -> None:
    fill(store, "elm")
    assert attempt(load_fleet(fleet_folder), store).sent == 0
    assert states(store) == {"elm": ("waiting", 0, 0)}


def test_what_another_sender_works_on_is_left_to_it(
    store: Store, server: MailServer, make_fleet: Callable[..., Fleet]
) -> None:
    fill(store, "elm")
    with store.write() as conn:
        (one,) = list_due(conn, NOW)
        claim(conn, one, NOW, LEASE_S)
    fleet = make_fleet(server)
    assert attempt(fleet, store, NOW + LEASE_S - 1, rested_only=False).sent == 0
    assert attempt(fleet, store, NOW + LEASE_S).sent == 1


def test_a_claim_outlives_the_longest_conversation_about_a_message() -> None:
    assert PATIENCE.after_message >= 600  # RFC 5321, 4.5.3.2.6
    assert PATIENCE.after_message < PATIENCE.whole < LEASE_S


def test_two_senders_at_once_send_everything_once(
    store: Store, server: MailServer, make_fleet: Callable[..., Fleet], tmp_path: Path
) -> None:
    fill(store, *(f"home{n}" for n in range(12)))
    fleet = make_fleet(server)
    server.manners.on_data = lambda _: 0.1
    both, done = threading.Barrier(2), []

    def work() -> None:
        own = Store.open("sqlite:///aftercare.db", tmp_path)
        both.wait()
        done.append(attempt(fleet, own))
        own.close()

    senders = [threading.Thread(target=work) for _ in range(2)]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join()
    assert sorted(mail.recipients[0] for mail in server.mails) == sorted(f"home{n}@example.org" for n in range(12))
    assert sum(one.sent for one in done) == 12
    assert min(one.sent for one in done) > 0


def test_an_end_that_is_wanted_leaves_the_rest_for_later(
    store: Store, server: MailServer, make_fleet: Callable[..., Fleet]
) -> None:
    fill(store, "elm", "oak")
    fleet = make_fleet(server)
    assert attempt(fleet, store, should_stop=lambda: bool(server.mails)).sent == 1
    assert states(store)["oak"] == ("waiting", 0, 0)


def test_nobody_is_written_to_who_is_no_reader_any_more(
    store: Store, server: MailServer, make_fleet: Callable[..., Fleet]
) -> None:
    readers = ("owner@example.org", "moved.away@example.org")
    with store.write() as conn:
        queue(conn, [replace(letter("larkrise"), recipient=one) for one in readers], NOW)
        queue(conn, [replace(letter("fleet"), kind="service", recipient="left@example.org")], NOW)
        queue(conn, [letter("elm")], NOW)  # its file may be wrong at the moment
    assert summary(attempt(make_fleet(server), store)) == "2 messages sent, 2 given up"
    assert [mail.recipients for mail in server.mails] == [["owner@example.org"], ["elm@example.org"]]
    with store.read() as conn:
        told = {one.recipient: one.trouble for one in list_mail(conn, "given_up")}
    assert told == dict.fromkeys(("moved.away@example.org", "left@example.org"), NO_READER)


def test_a_letter_of_an_earlier_sender_keeps_it(
    store: Store, server: MailServer, make_fleet: Callable[..., Fleet]
) -> None:
    with store.write() as conn:
        queue(conn, [replace(letter("elm"), sender="earlier@example.org")], NOW)
    attempt(make_fleet(server), store)
    assert server.mails[0].sender == "earlier@example.org"
