"""A mail server of a test's own, on this machine, with a certificate by an authority of its own."""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from functools import cache
from pathlib import Path
from typing import Any

import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

USER, PASSWORD = "aftercare", "correct horse"


@dataclass(frozen=True)
class Mail:
    """A message that the server has taken."""

    sender: str
    recipients: list[str]
    data: bytes

    @property
    def message(self) -> EmailMessage:
        parsed = message_from_bytes(self.data, policy=default)
        assert isinstance(parsed, EmailMessage)
        return parsed


@dataclass
class Manners:
    """How the server answers: each is asked with what came, and may answer anything but yes, or do anything before.

    A number in place of an answer is a pause in seconds; "drop" breaks the connection, for DATA once all was taken.
    """

    on_hello: Callable[[str], Any] = lambda _: None
    on_sender: Callable[[str], Any] = lambda _: None
    on_recipient: Callable[[str], Any] = lambda _: None
    on_data: Callable[[Mail], Any] = lambda _: None
    mails: list[Mail] = field(default_factory=list)
    connections: int = 0

    async def handle_EHLO(
        self, server: SMTP, session: Session, envelope: Envelope, hostname: str, responses: list[str]
    ) -> list[str]:
        self.connections += 1
        session.host_name = hostname
        answer = await _answered(server, self.on_hello(hostname))
        return [answer] if answer else responses

    async def handle_MAIL(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        answer = await _answered(server, self.on_sender(address))
        if answer is None:
            envelope.mail_from = address
        return answer or "250 OK"

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        answer = await _answered(server, self.on_recipient(address))
        if answer is None:
            envelope.rcpt_tos.append(address)
        return answer or "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        mail = Mail(str(envelope.mail_from), [str(one) for one in envelope.rcpt_tos], bytes(envelope.content or b""))
        answer = self.on_data(mail)
        if answer == "drop" or not isinstance(answer, str):
            self.mails.append(mail)
        return await _answered(server, answer) or "250 taken"


async def _answered(server: SMTP, answer: Any) -> str | None:
    if isinstance(answer, float):
        await asyncio.sleep(answer)
        return None
    if answer == "drop":
        assert server.transport is not None
        server.transport.abort()
        return "451 nobody hears this"
    return None if answer is None else str(answer)


class MailServer(Controller):
    """Runs while its block does. `security` as in [mail]; with `login`, USER and PASSWORD are asked for."""

    def __init__(self, *, security: str = "none", login: bool = False, utf8: bool = False, name: str = "localhost"):
        self.manners, self.security = Manners(), security
        context = None
        if security != "none":
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            authority().issue_cert(name).configure_cert(context)
        super().__init__(
            self.manners,
            hostname="127.0.0.1",
            port=0,
            ssl_context=context if security == "tls" else None,
            tls_context=context if security == "starttls" else None,
            require_starttls=security == "starttls",
            auth_required=login,
            auth_require_tls=security == "starttls",
            authenticator=_knows if login else None,
            auth_exclude_mechanism=() if login else ("LOGIN", "PLAIN"),
            enable_SMTPUTF8=utf8,
            decode_data=False,
        )

    def __enter__(self) -> MailServer:
        self.start()
        return self

    def __exit__(self, *_error: object) -> None:
        if self._thread is not None:
            self.stop(no_assert=True)

    def _trigger_server(self) -> None:
        """The library would connect to the port that was asked for, and any was."""
        self.port = self.server.sockets[0].getsockname()[1]  # type: ignore[union-attr]
        socket.create_connection((self.hostname, self.port)).close()

    @property
    def mails(self) -> list[Mail]:
        """What was taken so far."""
        return self.manners.mails

    def section(self, **changes: object) -> str:
        """A [mail] section for this server."""
        given = {
            "host": "localhost",
            "port": self.port,
            "security": self.security,
            "sender": "Testing Roofs <aftercare@example.org>",
            "service_team": ["service@example.org"],
        } | changes
        return "\n[mail]\n" + "".join(f"{key} = {_toml(value)}\n" for key, value in given.items())


@cache
def authority() -> trustme.CA:
    """Who signed the certificates of this session."""
    return trustme.CA()


def authority_file(folder: Path) -> Path:
    """The authority as a file, for SSL_CERT_FILE."""
    path = folder / "authority.pem"
    authority().cert_pem.write_to_path(str(path))
    return path


def _knows(_server: SMTP, _session: Session, _envelope: Envelope, _mechanism: str, data: Any) -> AuthResult:
    assert isinstance(data, LoginPassword)
    return AuthResult(success=(data.login.decode(), data.password.decode()) == (USER, PASSWORD), handled=False)


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return str(value) if isinstance(value, int | list) else f'"{value}"'
