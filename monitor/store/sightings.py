"""What lay where at the last look, so that an unchanged file is known without opening it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, delete, select

from monitor.store import schema
from monitor.store.rows import portions, to_row, upsert


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """The content that a path had, and the settings that it was read with.

    `stamp` is what the file system said of the file; None when it had changed so shortly before that a further change
    might not show in it.
    """

    site: str
    source: str
    path: str
    sha256: str
    config_hash: str
    stamp: str | None


@dataclass(frozen=True, slots=True)
class Known:
    """A sighting whose content the ledger has; `place` counts up in the order in which contents were taken."""

    sha256: str
    config_hash: str
    stamp: str | None
    read_again_at: int | None
    place: int


def known_files(conn: Connection, *, site: str, source: str) -> dict[str, Known]:
    """Every path of a source whose content, read with those settings, is in the ledger."""
    s, e = schema.sighting.c, schema.ledger.c
    same = (e.site == s.site) & (e.source == s.source) & (e.sha256 == s.sha256) & (e.config_hash == s.config_hash)
    query = select(s.path, s.sha256, s.config_hash, s.stamp, e.read_again_at, e.id).join_from(
        schema.sighting, schema.ledger, same
    )
    rows = conn.execute(query.where(s.site == site, s.source == source))
    return {path: Known(*rest) for path, *rest in rows}


def note_sightings(conn: Connection, sightings: Sequence[Sighting]) -> None:
    """Enter what lies where now."""
    upsert(conn, schema.sighting, [to_row(sighting) for sighting in sightings])


def forget_missing(conn: Connection, *, site: str, source: str, present: Collection[str]) -> tuple[str, ...]:
    """Forget the sightings of paths that are there no longer, and the refusals of such files; return the latter.

    A refused content is forgotten wherever it lies, so that a copy or a renamed file is refused under its own name.
    """
    s, e = schema.sighting.c, schema.ledger.c
    sighted = conn.execute(select(s.path).where(s.site == site, s.source == source)).scalars()
    for part in portions(path for path in sighted if path not in present):
        conn.execute(delete(schema.sighting).where(s.site == site, s.source == source, s.path.in_(part)))
    refused = conn.execute(
        select(e.id, e.path, e.sha256).where(e.site == site, e.source == source, e.state == "refused")
    )
    lost = [(number, path, sha256) for number, path, sha256 in refused if path not in present]
    for some in portions(lost):
        contents = [sha256 for _, _, sha256 in some]
        conn.execute(delete(schema.sighting).where(s.site == site, s.source == source, s.sha256.in_(contents)))
        conn.execute(delete(schema.ledger).where(e.id.in_([number for number, _, _ in some])))
    return tuple(path for _, path, _ in lost)
