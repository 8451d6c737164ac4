"""The last step, and the only one that touches files."""

from __future__ import annotations

import base64
from contextlib import suppress
from pathlib import Path

from ingest.errors import OutputError
from monitor.report.digest import HomeownerDigest, ServiceDigest
from monitor.report.message import compose
from monitor.report.render import Page


def write_digest(
    page: Page, digest: ServiceDigest | HomeownerDigest, folder: Path, *, sender: str, recipient: str | None = None
) -> list[Path]:
    """Write a digest as a message (.eml) and as one page that opens anywhere (.html); returns both paths.

    Raises OutputError, and leaves no half of a file, where the disk is full or may not be written to.
    """
    message = compose(page, digest, sender=sender, recipient=recipient)
    eml, html = (folder / f"{digest.edition.name}{ending}" for ending in (".eml", ".html"))
    put_file(eml, message.as_bytes())
    put_file(html, standalone(page).encode())
    return [eml, html]


def put_file(path: Path, data: bytes) -> None:
    """Write a file as a whole or not at all; raises OutputError."""
    part = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(data)
        part.replace(path)
    except OSError as error:
        with suppress(OSError):
            part.unlink()
        raise OutputError(f"{path}: cannot be written: {error.strerror or error}") from None


def standalone(page: Page) -> str:
    """The page with its pictures inside."""
    html = page.html
    for picture in page.pictures:
        data = base64.b64encode(picture.png).decode("ascii")
        html = html.replace(f'src="cid:{picture.cid}"', f'src="data:image/png;base64,{data}"')
    return html
