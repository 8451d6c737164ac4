"""What keeping the standing of polled devices promises, on both databases."""

from __future__ import annotations

from dataclasses import replace

from monitor.store import Store
from monitor.store.polls import PollState, list_polls, note_poll


def test_each_source_has_its_last_standing_in_order(store: Store) -> None:
    well = PollState(site="larkrise", source="bus", last_try_at=100, last_ok_at=101)
    never = PollState(site="larkrise", source="attic", last_try_at=90, failures=3, trouble="10.0.0.7:502: no answer")
    with store.write() as conn:
        assert list_polls(conn) == []
        for state in (well, never, replace(well, site="elsewhere")):
            note_poll(conn, state)
        assert list_polls(conn) == [replace(well, site="elsewhere"), never, well]
        note_poll(conn, replace(well, last_try_at=200, failures=1, trouble="no answer"))
        assert list_polls(conn)[2] == PollState(
            site="larkrise", source="bus", last_try_at=200, last_ok_at=101, failures=1, trouble="no answer"
        )
