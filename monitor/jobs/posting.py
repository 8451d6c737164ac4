"""Digests into the outbox: a letter a reader, each settled byte for byte when it is queued."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.config.addresses import parse_address, split_sender
from monitor.report.digest import HomeownerDigest, ServiceDigest
from monitor.report.message import compose
from monitor.report.render import Page
from monitor.store import Store
from monitor.store.outbox import Letter, queue, unqueued

Digest = ServiceDigest | HomeownerDigest


def unposted(store: Store, digest: Digest, readers: Sequence[str], *, again: bool) -> list[str]:
    """The readers for whom a digest is not queued yet; a page that nobody is left to get need not be drawn."""
    edition = digest.edition
    carried = [parse_address(reader).addr_spec for reader in readers]
    with store.read() as conn:
        return unqueued(conn, edition.kind, edition.about, edition.period, carried, again=again)


def post(
    store: Store, page: Page, digest: Digest, readers: Sequence[str], *, sender: str, now: int, again: bool
) -> int:
    """Queue a digest for readers and return for how many; one transaction decides it, whoever else tries."""
    letters = [_letter(page, digest, sender, reader) for reader in readers]
    with store.write() as conn:
        return queue(conn, letters, now, again=again)


def _letter(page: Page, digest: Digest, sender: str, reader: str) -> Letter:
    message = compose(page, digest, sender=sender, recipient=reader)
    edition = digest.edition
    return Letter(
        kind=edition.kind,
        about=edition.about,
        period=edition.period,
        recipient=reader,
        sender=parse_address(split_sender(sender)[1]).addr_spec,
        message_id=str(message["Message-ID"]),
        message=message.as_bytes(),
    )
