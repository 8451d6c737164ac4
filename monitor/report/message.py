"""A page as an e-mail message to one reader: plain text first, then HTML with its pictures."""

from __future__ import annotations

import hashlib
from email.headerregistry import Address, BaseHeader, HeaderRegistry, UnstructuredHeader
from email.message import EmailMessage
from email.policy import SMTP, EmailPolicy, Policy
from email.utils import format_datetime
from typing import Any
from urllib.parse import quote

from monitor.config.addresses import parse_address, split_sender
from monitor.report.digest import HomeownerDigest, ServiceDigest
from monitor.report.render import Page
from monitor.report.words import one_line

LONGEST_SUBJECT = 150
LONGEST_NAME = 80


def compose(
    page: Page, digest: ServiceDigest | HomeownerDigest, *, sender: str, recipient: str | None = None
) -> EmailMessage:
    """The message of a page; the same digest and people give the same message, byte for byte.

    One reader at most: nobody learns from a message who else got it. Without one, nobody is named in it.
    """
    name, spec = split_sender(sender)
    author = parse_address(spec, one_line(name, LONGEST_NAME))
    reader = None if recipient is None else parse_address(recipient)
    contact = parse_address(digest.contact) if isinstance(digest, HomeownerDigest) and digest.contact else None
    token = _token(digest, "" if reader is None else reader.addr_spec)
    message = EmailMessage(policy=_policy(author, reader))
    message["Subject"] = one_line(page.subject, LONGEST_SUBJECT)
    message["From"] = author
    if reader is not None:
        message["To"] = reader
    if contact is not None and contact.username.isascii():  # else few servers would take the message for its sake
        message["Reply-To"] = contact
    message["Date"] = format_datetime(digest.edition.written)
    message["Message-ID"] = f"<{token}@{author.domain}>"
    message["Auto-Submitted"] = "auto-generated"
    if isinstance(digest, HomeownerDigest):
        message["List-Unsubscribe"] = _unsubscribe(contact or author, digest.edition.about)
    message.set_content(page.text, cte="quoted-printable")
    message.add_alternative(page.html, subtype="html", cte="quoted-printable")
    _add_pictures(message, page)
    message["Content-Language"] = "en"  # only now: what is called Content-… moves into the first part with its text
    for number, part in enumerate(p for p in message.walk() if p.is_multipart()):
        part.set_boundary(f"={token}-{number}=")
    return message


class _Whole(UnstructuredHeader, BaseHeader):
    """A header that stays in one piece: the library would encode what is longer than a line, and nobody decodes it."""

    max_count = 1

    def fold(self, *, policy: Policy[Any]) -> str:
        """One line, whatever its length."""
        return f"{self.name}: {self}{policy.linesep}"


class _Begun(UnstructuredHeader, BaseHeader):
    """A header that begins on the line of its name: the library leaves that empty before a text of nearly a line."""

    max_count = 1

    def fold(self, *, policy: Policy[Any]) -> str:
        """As the library folds it, but for an empty first line."""
        return super().fold(policy=policy).replace(f"{self.name}:{policy.linesep} ", f"{self.name}: ", 1)


def _policy(*people: Address | None) -> EmailPolicy[EmailMessage]:
    headers = HeaderRegistry()
    for name in ("list-unsubscribe", "message-id"):
        headers.map_to_type(name, _Whole)
    headers.map_to_type("subject", _Begun)
    # Letters before an @ that only servers with SMTPUTF8 take; names beside an address can be encoded.
    wide = any(one is not None and not one.username.isascii() for one in people)
    return SMTP.clone(header_factory=headers, utf8=wide)


def _add_pictures(message: EmailMessage, page: Page) -> None:
    body = message.get_body(("html",))
    assert isinstance(body, EmailMessage)
    for picture in page.pictures:
        body.add_related(
            picture.png, "image", "png", cid=f"<{picture.cid}>", disposition="inline", filename=f"{picture.cid}.png"
        )


def _token(digest: ServiceDigest | HomeownerDigest, recipient: str) -> str:
    """The same digest for the same reader always has the same one, so that a repeated mail is known to be one."""
    house = digest.fleet if isinstance(digest, ServiceDigest) else digest.firm
    edition = digest.edition
    key = "\n".join((house, edition.about, edition.period, edition.kind, recipient))
    return hashlib.sha256(key.encode(errors="replace")).hexdigest()[:24]


def _unsubscribe(address: Address, site_id: str) -> str:
    return f"<mailto:{quote(address.addr_spec, safe='@')}?subject=unsubscribe%20{site_id}>"
