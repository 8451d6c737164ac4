"""What keeping engineers' verdicts promises, on both databases."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from monitor.detect.ruling import Ruling
from monitor.store import Store
from monitor.store.assessed import set_assessed
from monitor.store.findings import rewind_findings
from monitor.store.rulings import rulings_of, told_findings, write_ruling
from tests.contract.test_store_findings import day, finding, keep

RULING = Ruling(
    site="larkrise", finding_id="a", day=day(4), said="repaired", note="new connector – “left”", subject="string:s1",
    cause="failed_string", raised=day(2), renews=("string:s1", "inverter:inv1"), given_at=1_780_000_000,
    nights_until=day(3),
)  # fmt: skip


def test_a_verdict_outlives_its_finding_and_comes_back_as_it_was_kept(store: Store) -> None:
    keep(store, finding("a", 2), night=2)
    with store.write() as conn:
        write_ruling(conn, replace(RULING, said="confirmed"))
        write_ruling(conn, RULING)  # on the same day: a correction
        rewind_findings(conn, site="larkrise", from_day=day(1))
        assert rulings_of(conn, ["larkrise", "elsewhere"]) == {"larkrise": [RULING]}
        assert told_findings(conn, site="larkrise", include_cleared=True) == []


def test_a_verdict_is_told_before_a_night_has_seen_it_but_not_in_a_replay_of_earlier_days(store: Store) -> None:
    keep(store, finding("a", 2), night=2)
    with store.write() as conn:
        write_ruling(conn, RULING)
        told: dict[date, str] = {}
        for until in (day(2), day(3)):
            set_assessed(conn, "larkrise", until)
            (known,) = told_findings(conn, site="larkrise", include_cleared=True)
            told[until] = known.state
        assert told == {day(2): "open", day(3): "cleared"}
        assert told_findings(conn, site="larkrise") == []
