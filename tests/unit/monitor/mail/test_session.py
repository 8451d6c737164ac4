"""Conversations with a mail server: how they are protected, and what is said when they come to nothing."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from ingest.errors import ConfigurationError, MailUnavailable
from monitor.config.models import MailSection
from monitor.mail.password import read_password
from monitor.mail.session import Patience, Session
from monitor.mail.trouble import NotTaken, masked, reply_words
from tests.mail_server import PASSWORD, USER, MailServer, authority_file

# The server's library warns of logins over plain connections, which is what some of these are about.
pytestmark = pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")
HASTY = Patience(answer=2, after_message=2, whole=60)
MESSAGE = b"Subject: one\r\n\r\nA line\r\n.\r\n..dots\r\n"
SENDER, OWNER = "aftercare@example.org", "owner@example.org"


def section(server: MailServer, **changes: Any) -> MailSection:
    given = {"host": "localhost", "port": server.port, "security": server.security, "sender": SENDER}
    return MailSection.model_validate(given | changes)


def login(server: MailServer, **changes: Any) -> MailSection:
    return section(server, **{"username": USER, "password_env": "PASSWORD", **changes})


@pytest.fixture
def trusting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """This session's authority is one of this machine's."""
    monkeypatch.setenv("SSL_CERT_FILE", str(authority_file(tmp_path)))


@contextmanager
def open_session(mail: MailSection, password: str | None = None, patience: Patience = HASTY) -> Iterator[Session]:
    session = Session.open(mail, password, patience)
    try:
        yield session
    finally:
        session.close()


def refusal(mail: MailSection, password: str | None = None, patience: Patience = HASTY) -> str:
    with pytest.raises(MailUnavailable) as caught:
        Session.open(mail, password, patience)
    return str(caught.value)


@pytest.mark.parametrize("security", ["none", "starttls", "tls"])
@pytest.mark.parametrize("asks", [False, True])
@pytest.mark.usefixtures("trusting")
def test_messages_go_over_as_they_are(security: str, asks: bool) -> None:
    with MailServer(security=security, login=asks) as server:
        mail = login(server) if asks else section(server)
        with open_session(mail, PASSWORD if asks else None) as session:
            for _ in range(2):
                session.hand_over(SENDER, OWNER, MESSAGE)
    assert [(m.sender, m.recipients, m.data) for m in server.mails] == [(SENDER, [OWNER], MESSAGE)] * 2


@pytest.mark.usefixtures("trusting")
@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_certificate_for_another_name_is_not_trusted(security: str) -> None:
    with MailServer(security=security, name="mail.example.org") as server:
        said = refusal(section(server))
    assert said.startswith(f"the mail server localhost:{server.port} shows a certificate that is not trusted (Hostname")
    assert "check that [mail] host is the name in the certificate" in said


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_certificate_by_nobody_known_is_not_trusted(security: str) -> None:
    with MailServer(security=security, login=True) as server:
        said = refusal(login(server), PASSWORD)
    assert "shows a certificate that is not trusted (unable to get local issuer certificate)" in said
    assert "SSL_CERT_FILE" in said


def test_a_server_without_starttls_gets_no_password() -> None:
    with MailServer() as server:
        said = refusal(login(server, security="starttls"), PASSWORD)
    assert said == (
        f'the mail server localhost:{server.port} offers no STARTTLS: check [mail] port; security = "tls" usually goes '
        "with port 465"
    )


@pytest.mark.usefixtures("trusting")
def test_tls_where_plain_words_are_spoken_and_the_other_way_round() -> None:
    with MailServer() as server:
        said = refusal(section(server, security="tls"))
        assert "does not speak TLS as expected by security = 'tls' (" in said
        assert "tls usually goes with port 465, starttls with 587" in said
    with MailServer(security="tls") as server:
        assert "did not answer in time: check [mail] host and port, security" in refusal(
            section(server, security="starttls")
        )


@pytest.mark.usefixtures("trusting")
def test_a_wrong_password() -> None:
    with MailServer(security="starttls", login=True) as server:
        said = refusal(login(server), "wrong secret")
    assert said == (
        f"the mail server localhost:{server.port} refused the login (535 5.7.8 Authentication credentials invalid): "
        "check [mail] username and password_env"
    )


def test_a_login_that_nobody_asks_for() -> None:
    with MailServer() as server:
        assert "offers no login that we know: check [mail] port, and leave out username" in refusal(
            login(server), PASSWORD
        )


def test_a_password_that_cannot_be_told_is_not_shown() -> None:
    with MailServer(login=True) as server:
        said = refusal(login(server), "pässword")
    assert said.endswith("cannot be told [mail] host, username or password as they are: expected ASCII letters")


def test_nobody_there() -> None:
    with MailServer() as server:
        mail = section(server)
    assert refusal(mail) == (
        f"the mail server localhost:{server.port} refused the connection: check that it is running, and [mail] host "
        "and port"
    )
    said = refusal(mail.model_copy(update={"host": "mail.invalid"}))
    assert said.startswith(f"the mail server mail.invalid:{server.port} cannot be found (")
    assert said.endswith("check [mail] host, and that this machine resolves names")


@contextmanager
def answering(talk: Callable[[socket.socket], None]) -> Iterator[MailSection]:
    """Something else than a mail server."""
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve() -> None:
            connection, _ = listener.accept()
            with connection:
                talk(connection)

        thread = threading.Thread(target=serve)
        thread.start()
        yield MailSection(host="127.0.0.1", port=listener.getsockname()[1], security="none", sender=SENDER)
        thread.join()


def test_a_silent_place() -> None:
    with answering(lambda connection: connection.recv(9)) as mail:
        assert "did not answer in time" in refusal(mail)


def test_a_place_that_hangs_up() -> None:
    with answering(lambda _: None) as mail:
        assert "hung up at once: check [mail] port and security" in refusal(mail)


def test_a_server_that_turns_everybody_away() -> None:
    with answering(lambda connection: connection.sendall(b"554 no service for you@example.org\r\n")) as mail:
        assert "turned us away (554 no service for y…@example.org): check its log" in refusal(mail)


def test_a_server_that_drips_is_cut_off() -> None:
    def drip(connection: socket.socket) -> None:
        connection.sendall(b"220 here\r\n")
        connection.recv(99)
        try:
            while True:
                connection.sendall(b"250-and another thing\r\n")
                threading.Event().wait(0.05)
        except OSError:
            pass

    with answering(drip) as mail:
        assert "hung up at once" in refusal(mail, patience=Patience(answer=30, whole=1))


@pytest.mark.parametrize(
    ("stage", "answer", "permanent", "hung_up", "said"),
    [
        ("on_sender", "550 5.7.1 not you", True, False, "did not take the sender: 550 5.7.1 not you"),
        ("on_sender", "451 4.3.0 busy", False, False, "did not take the sender: 451 4.3.0 busy"),
        ("on_recipient", "550 5.1.1 no <owner@example.org> here", True, False,
         "did not take the recipient: 550 5.1.1 no <o…@example.org> here"),
        ("on_recipient", "450 4.2.0 greylisted", False, False, "did not take the recipient: 450 4.2.0 greylisted"),
        ("on_recipient", "421 4.3.2 going down", False, True, "did not take the recipient: 421 4.3.2 going down"),
        ("on_data", "554 5.7.1 spam", True, False, "did not take the message: 554 5.7.1 spam"),
        ("on_data", "452 4.3.1 disk full", False, False, "did not take the message: 452 4.3.1 disk full"),
        ("on_data", "drop", False, True, "hung up at the message, which it may have taken all the same"),
        ("on_data", 4.0, False, True, "did not answer in time to the message, which it may have taken all the same"),
        ("on_recipient", "drop", False, True, "hung up at the recipient"),
        ("on_sender", 4.0, False, True, "did not answer in time to the sender"),
    ],
)  # fmt: skip
def test_what_a_server_may_say_to_a_message(stage: str, answer: Any, permanent: bool, hung_up: bool, said: str) -> None:
    with MailServer() as server:
        setattr(server.manners, stage, lambda _: answer)
        with open_session(section(server)) as session:
            with pytest.raises(NotTaken) as caught:
                session.hand_over(SENDER, OWNER, MESSAGE)
            assert str(caught.value) == f"localhost:{server.port} {said}"
            assert (caught.value.permanent, caught.value.hung_up) == (permanent, hung_up)
            if not hung_up:  # and the next one is none the worse for it
                setattr(server.manners, stage, lambda _: None)
                session.hand_over(SENDER, "next@example.org", MESSAGE)
                assert server.mails[-1].recipients == ["next@example.org"]


def test_a_long_silence_after_a_message_is_waited_for() -> None:
    with MailServer() as server:
        server.manners.on_data = lambda _: 2.5
        with open_session(section(server), patience=Patience(answer=2, after_message=60)) as session:
            session.hand_over(SENDER, OWNER, MESSAGE)


def test_letters_that_only_some_servers_know() -> None:
    wide = "jürgen@example.org"
    with MailServer(utf8=True) as server, open_session(section(server)) as session:
        session.hand_over(SENDER, wide, MESSAGE)
        assert server.mails[0].recipients == [wide]
    with MailServer() as server, open_session(section(server)) as session:
        with pytest.raises(NotTaken, match=r"takes no address such as j…@example.org, .* SMTPUTF8$") as caught:
            session.hand_over(SENDER, wide, MESSAGE)
        assert caught.value.permanent
        session.hand_over(SENDER, OWNER, MESSAGE)


def test_a_line_break_in_an_address_commands_nothing() -> None:
    with MailServer() as server, open_session(section(server)) as session:
        session.hand_over(SENDER, "a@example.org>\r\nRCPT TO:<b@example.org", MESSAGE)
        assert [mail.recipients for mail in server.mails] == [["a@example.org"]]


def test_addresses_are_not_told_in_full() -> None:
    assert masked("<owner.of-roof@example.org> and a@b.c, 'x@y.org'") == "<o…@example.org> and a…@b.c, 'x…@y.org'"
    assert reply_words(550, b"line one\nline two\x07 \xff") == "550 line one line two \ufffd"
    assert len(reply_words(550, b"x" * 999)) == 300


def test_the_password_comes_from_one_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    given = {"host": "h", "sender": SENDER, "username": USER}
    by_name = MailSection.model_validate(given | {"password_env": "MAIL_SECRET"})
    by_file = MailSection.model_validate(given | {"password_file": "secrets/mail"})
    monkeypatch.delenv("MAIL_SECRET", raising=False)
    with pytest.raises(ConfigurationError, match="password_env = 'MAIL_SECRET': expected the name of an environment"):
        read_password(by_name, tmp_path)
    with pytest.raises(ConfigurationError, match="password_file = 'secrets/mail': cannot be read: No such file"):
        read_password(by_file, tmp_path)
    monkeypatch.setenv("MAIL_SECRET", "one")
    (tmp_path / "secrets").mkdir()
    (tmp_path / "secrets/mail").write_text("two words\n")
    assert read_password(by_name, tmp_path) == "one"
    assert read_password(by_file, tmp_path) == "two words"
    (tmp_path / "secrets/mail").write_text("a\nb\n")
    with pytest.raises(ConfigurationError, match="expected one line with the password; found 2 lines"):
        read_password(by_file, tmp_path)
    (tmp_path / "secrets/mail").write_bytes(b"\xff")
    with pytest.raises(ConfigurationError, match="expected text in UTF-8"):
        read_password(by_file, tmp_path)
    assert read_password(MailSection(host="h", sender=SENDER), tmp_path) is None
