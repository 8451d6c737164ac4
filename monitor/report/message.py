"""A page as an e-mail message: plain text first, then HTML with its pictures."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, parseaddr

from monitor.report.digest import Edition
from monitor.report.render import Page
from monitor.report.words import one_line

LONGEST_SUBJECT = 150


def compose(
    page: Page, edition: Edition, *, sender: str, recipients: Sequence[str], reply_to: str | None = None
) -> EmailMessage:
    """The message of a page; the same page, edition and people give the same message, byte for byte."""
    name, spec = parseaddr(sender)
    author = Address(display_name=one_line(name), addr_spec=spec)
    message = EmailMessage(policy=SMTP)
    message["Subject"] = one_line(page.subject, LONGEST_SUBJECT)
    message["From"] = author
    if recipients:
        message["To"] = [Address(addr_spec=recipient) for recipient in recipients]
    if reply_to is not None:
        message["Reply-To"] = Address(addr_spec=reply_to)
    message["Date"] = format_datetime(edition.written)
    message["Message-ID"] = message_id(edition, author.domain)
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(page.text, cte="quoted-printable")
    message.add_alternative(page.html, subtype="html", cte="quoted-printable")
    _add_pictures(message, page, author.domain)
    for number, part in enumerate(p for p in message.walk() if p.is_multipart()):
        part.set_boundary(f"={_digest(edition)}-{number}=")
    return message


def message_id(edition: Edition, domain: str) -> str:
    """The same digest always has the same id, so that a repeated mail is known to be one."""
    return f"<{_digest(edition)}@{domain}>"


def _add_pictures(message: EmailMessage, page: Page, domain: str) -> None:
    body = message.get_body(("html",))
    assert isinstance(body, EmailMessage)
    for picture in page.pictures:
        body.add_related(
            picture.png, "image", "png", cid=f"<{picture.cid}>", disposition="inline", filename=f"{picture.cid}.png"
        )


def _digest(edition: Edition) -> str:
    key = f"{edition.about}\n{edition.period}\n{edition.kind}"
    return hashlib.sha256(key.encode()).hexdigest()[:24]
