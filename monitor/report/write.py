"""The last step, and the only one that touches files."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from pathlib import Path

from monitor.report.digest import HomeownerDigest, ServiceDigest
from monitor.report.message import compose
from monitor.report.render import Page, render


def write_digest(
    digest: ServiceDigest | HomeownerDigest, folder: Path, *, sender: str, recipients: Sequence[str]
) -> list[Path]:
    """Write a digest as a message (.eml) and as one page that opens anywhere (.html); returns both paths."""
    page = render(digest)
    reply_to = digest.contact if isinstance(digest, HomeownerDigest) else None
    message = compose(page, digest.edition, sender=sender, recipients=recipients, reply_to=reply_to)
    folder.mkdir(parents=True, exist_ok=True)
    eml, html = (folder / f"{digest.edition.name}{ending}" for ending in (".eml", ".html"))
    eml.write_bytes(message.as_bytes())
    html.write_text(standalone(page), encoding="utf-8")
    return [eml, html]


def standalone(page: Page) -> str:
    """The page with its pictures inside."""
    html = page.html
    for picture in page.pictures:
        data = base64.b64encode(picture.png).decode("ascii")
        html = html.replace(f'src="cid:{picture.cid}"', f'src="data:image/png;base64,{data}"')
    return html
