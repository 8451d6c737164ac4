"""A conversation with the mail server: opened once, then message after message."""

from __future__ import annotations

import smtplib
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from monitor.config.models import MailSection
from monitor.mail.trouble import NotTaken, masked, place, reply_words, timed_out, unavailable


@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """How long an answer is waited for, in seconds.

    RFC 5321 asks for ten minutes after a message: a server that is given up while it works takes a message that we
    then send again. `whole` ends a conversation about one message however slowly it drips, and has to be shorter
    than the claim on it.
    """

    answer: float = 30.0
    after_message: float = 600.0
    whole: float = 720.0


PATIENCE = Patience()


class Session:
    """An open conversation. Not to be shared between threads."""

    def __init__(self, mail: MailSection, server: smtplib.SMTP, patience: Patience) -> None:
        self._mail, self._server, self._patience = mail, server, patience

    @classmethod
    def open(cls, mail: MailSection, password: str | None, patience: Patience = PATIENCE) -> Session:
        """Connect, protect the connection as `security` says, and log in; raises MailUnavailable."""
        server: smtplib.SMTP | None = None
        try:
            server = _connect(mail, patience.answer)
            with _cut_off(server, patience.whole):
                server.ehlo_or_helo_if_needed()
                if mail.security == "starttls":
                    server.starttls(context=ssl.create_default_context())
                    server.ehlo()
                if mail.username is not None and password is not None:
                    server.login(mail.username, password)
        except (OSError, smtplib.SMTPException, UnicodeError) as error:
            if server is not None:
                server.close()
            raise unavailable(mail, error) from error
        return cls(mail, server, patience)

    def hand_over(self, sender: str, recipient: str, message: bytes) -> None:
        """Give the server one message for one recipient; raises NotTaken if it did not take it.

        A connection that breaks after the message, before its answer, tells nothing: the server may have taken it.
        Such a message is tried again like any other, under the Message-ID that it has had since it was queued, by
        which the reader's mail program may know the twin. The other choice would be to lose it.
        """
        step = "the sender"
        try:
            with _cut_off(self._server, self._patience.whole):
                self._expect(step, *self._server.mail(sender, self._options(sender, recipient, message)))
                step = "the recipient"
                self._expect(step, *self._server.rcpt(recipient))
                step = "the message"
                self._set_timeout(self._patience.after_message)
                self._expect(step, *self._server.data(message))
        except smtplib.SMTPDataError as error:
            self._expect(step, error.smtp_code, error.smtp_error)
        except (smtplib.SMTPNotSupportedError, UnicodeError):
            wide = next((one for one in (recipient, sender) if not one.isascii()), recipient)
            what = (
                f"takes no address such as {masked(wide)}, with such letters before the @: it does not offer SMTPUTF8"
            )
            raise self._trouble(what, permanent=True) from None
        except OSError as error:
            what = "did not answer in time to" if timed_out(error) else "hung up at"
            doubt = ", which it may have taken all the same" if step == "the message" else ""
            raise self._trouble(f"{what} {step}{doubt}", hung_up=True) from None
        finally:
            self._set_timeout(self._patience.answer)

    def close(self) -> None:
        """Say goodbye, if there is still somebody to say it to."""
        with suppress(OSError, smtplib.SMTPException):
            self._set_timeout(5.0)
            self._server.quit()
        self._server.close()

    def _options(self, sender: str, recipient: str, message: bytes) -> list[str]:
        options = [f"SIZE={len(message)}"] if self._server.has_extn("size") else []
        if not ((sender + recipient).isascii() and message.isascii()):
            options += ["SMTPUTF8", "BODY=8BITMIME"]
        return options

    def _expect(self, step: str, code: int, reply: bytes | str) -> None:
        """Raise NotTaken unless the answer is a yes."""
        if 200 <= code < 300:
            return
        hung_up = code in (-1, 421)
        if not hung_up:
            with suppress(OSError, smtplib.SMTPException):
                self._server.rset()
        raise self._trouble(
            f"did not take {step}: {reply_words(code, reply)}", permanent=500 <= code < 600, hung_up=hung_up
        )

    def _trouble(self, what: str, *, permanent: bool = False, hung_up: bool = False) -> NotTaken:
        return NotTaken(f"{place(self._mail)} {what}", permanent=permanent, hung_up=hung_up)

    def _set_timeout(self, seconds: float) -> None:
        if self._server.sock is not None:
            self._server.sock.settimeout(seconds)


def _connect(mail: MailSection, timeout_s: float) -> smtplib.SMTP:
    if mail.security == "tls":
        context = ssl.create_default_context()
        return smtplib.SMTP_SSL(mail.host, mail.server_port, timeout=timeout_s, context=context)
    return smtplib.SMTP(mail.host, mail.server_port, timeout=timeout_s)


@contextmanager
def _cut_off(server: smtplib.SMTP, seconds: float) -> Iterator[None]:
    """End the connection after a while: time-outs alone hold for each single read only."""

    def end() -> None:
        if (sock := server.sock) is not None:
            with suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)

    timer = threading.Timer(seconds, end)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
