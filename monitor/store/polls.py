"""How the polling of each device stands."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, select

from monitor.store import schema
from monitor.store.rows import records, to_row, upsert


@dataclass(frozen=True, slots=True, kw_only=True)
class PollState:
    """The last poll of a source, and the last one that gave readings; instants, None where there was none.

    `trouble` says what was wrong at the last poll, also where only some of its values were set aside; empty when
    nothing was. `failures` counts the polls without any reading since one gave some.
    """

    site: str
    source: str
    last_try_at: int
    last_ok_at: int | None = None
    failures: int = 0
    trouble: str = ""


def note_poll(conn: Connection, state: PollState) -> None:
    """Keep how a source's polling stands now."""
    upsert(conn, schema.poll_state, [to_row(state)])


def list_polls(conn: Connection) -> list[PollState]:
    """Every source that was ever polled, in order of site and source."""
    c = schema.poll_state.c
    return records(PollState, conn.execute(select(schema.poll_state).order_by(c.site, c.source)))
