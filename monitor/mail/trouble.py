"""What went wrong with a mail server, as sentences: where, what happened, what to check. No address in full."""

from __future__ import annotations

import re
import smtplib
import socket
import ssl

from ingest.errors import AftercareError, MailUnavailable
from monitor.config.models import MailSection
from monitor.report.words import one_line

LONGEST_REPLY = 300
_ADDRESS = re.compile(r"([^\s<>@,;:()\"'])[^\s<>@,;:()\"']*@([^\s<>@,;:()\"']+)")


class NotTaken(AftercareError):
    """One message that the server did not take.

    `permanent`: another try would end the same way. `hung_up`: the conversation is over.
    """

    def __init__(self, sentence: str, *, permanent: bool = False, hung_up: bool = False) -> None:
        self.permanent, self.hung_up = permanent, hung_up
        super().__init__(sentence)


def masked(text: str) -> str:
    """Text in which every e-mail address shows its first letter and its domain only."""
    return _ADDRESS.sub(r"\1…@\2", text)


def reply_words(code: int, reply: bytes | str) -> str:
    """A server's answer as one short line."""
    text = reply if isinstance(reply, str) else reply.decode("utf-8", "replace")
    return one_line(f"{code} {masked(text)}", LONGEST_REPLY)


def place(mail: MailSection) -> str:
    """HOST:PORT, as every sentence begins."""
    return f"{mail.host}:{mail.server_port}"


def unavailable(mail: MailSection, error: Exception) -> MailUnavailable:
    """Why no conversation came about."""
    return MailUnavailable(f"the mail server {place(mail)} {_why(mail, error)}")


def _why(mail: MailSection, error: Exception) -> str:
    match error:
        case socket.gaierror():
            return f"cannot be found ({error.strerror}): check [mail] host, and that this machine resolves names"
        case ssl.SSLCertVerificationError():
            return (
                f"shows a certificate that is not trusted ({error.verify_message}): check that [mail] host is the name "
                "in the certificate; where an authority of your own signed it, name its file in SSL_CERT_FILE"
            )
        case ssl.SSLError():
            return (
                f"does not speak TLS as expected by security = {mail.security!r} ({error.reason or error}): check "
                "[mail] port and security; tls usually goes with port 465, starttls with 587"
            )
        case OSError() if timed_out(error):
            return "did not answer in time: check [mail] host and port, security (tls or starttls), and the firewall"
        case ConnectionRefusedError():
            return "refused the connection: check that it is running, and [mail] host and port"
        case smtplib.SMTPAuthenticationError():
            return (
                f"refused the login ({reply_words(error.smtp_code, error.smtp_error)}): check [mail] username and "
                f"{'password_file' if mail.password_file else 'password_env'}"
            )
        case smtplib.SMTPNotSupportedError() if "STARTTLS" in str(error):
            return 'offers no STARTTLS: check [mail] port; security = "tls" usually goes with port 465'
        case smtplib.SMTPException() if _is_login(error):
            return "offers no login that we know: check [mail] port, and leave out username if none is needed"
        case smtplib.SMTPResponseException():
            return f"turned us away ({reply_words(error.smtp_code, error.smtp_error)}): check its log, or try later"
        case smtplib.SMTPServerDisconnected():
            return "hung up at once: check [mail] port and security, and its log"
        case OSError():
            return f"cannot be reached ({error.strerror or error}): check [mail] host and port, and the network"
    return "cannot be told [mail] host, username or password as they are: expected ASCII letters"


def timed_out(error: OSError) -> bool:
    """Whether an answer was waited for in vain; the library calls that a hanging up."""
    return isinstance(error, TimeoutError) or isinstance(error.__context__, TimeoutError)


def _is_login(error: Exception) -> bool:
    return "AUTH" in str(error) or "authentication" in str(error)
