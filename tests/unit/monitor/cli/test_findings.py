"""`aftercare findings`: order, form, exit codes."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from click.testing import Result

from monitor.detect.finding import Finding
from monitor.store import Store
from monitor.store.assessed import set_assessed
from monitor.store.findings import save_findings

Run = Callable[..., Result]

DEAD = Finding(
    id="f1",
    site="larkrise",
    subject="string:s1",
    cause="failed_string",
    level="urgent",
    state="open",
    since=date(2025, 6, 3),
    raised=date(2025, 6, 4),
    cleared=None,
    last_seen=date(2025, 6, 6),
    confidence=0.99,
    lost_kwh=35.2,
    lost_kwh_low=31.0,
    lost_kwh_high=39.9,
    lost_money=9.86,
    summary="String s1 makes nothing.",
    evidence={"days": 3},
    advice={"service": "Look at the connectors.", "homeowner": "We are on it."},
)
COSTLIER = replace(DEAD, id="f2", site="millbeck", lost_kwh=50.0, lost_money=None)
WATCHED = replace(DEAD, id="f3", level="watch", cause="missing_data", lost_kwh=99.0)
OVER = replace(DEAD, id="f4", state="cleared", cleared=date(2025, 6, 5), lost_kwh=1.0)


@pytest.fixture
def told(fleet_folder: Path) -> Path:
    """A fleet whose store holds findings."""
    store = Store.open("sqlite:///aftercare.db", fleet_folder)
    with store.write() as conn:
        save_findings(conn, [WATCHED, DEAD, OVER, COSTLIER])
        set_assessed(conn, "larkrise", date(2025, 6, 6))
        set_assessed(conn, "millbeck", date(2025, 6, 5))
    store.close()
    return fleet_folder


def test_json_has_the_form_of_the_interface(run: Run, told: Path) -> None:
    document = json.loads(run("findings", told, "--site", "larkrise", "--json").stdout)
    assert list(document) == ["schema", "assessed_until", "findings"]
    assert (document["schema"], document["assessed_until"]) == (1, "2025-06-06")
    assert document["findings"][0] == {
        "id": "f1", "site": "larkrise", "subject": "string:s1", "cause": "failed_string", "level": "urgent",
        "state": "open", "since": "2025-06-03", "raised": "2025-06-04", "cleared": None,
        "confidence": 0.99, "verdict": None,
        "lost_kwh": 35.2, "lost_kwh_low": 31.0, "lost_kwh_high": 39.9, "lost_money": 9.86,
        "summary": "String s1 makes nothing.", "evidence": {"days": 3},
        "advice": {"service": "Look at the connectors.", "homeowner": "We are on it."},
        "rank_value_kwh": None, "value_next_12_months": None,
    }  # fmt: skip


def test_the_gravest_first_then_what_cost_most(run: Run, told: Path) -> None:
    document = json.loads(run("findings", told, "--all", "--json").stdout)
    assert [f["id"] for f in document["findings"]] == ["f2", "f1", "f4", "f3"]
    assert document["assessed_until"] == "2025-06-05"


def test_cleared_ones_only_when_asked_for(run: Run, told: Path) -> None:
    document = json.loads(run("findings", told, "--json").stdout)
    assert [f["id"] for f in document["findings"]] == ["f2", "f1", "f3"]


def test_the_table_for_a_person(run: Run, told: Path) -> None:
    done = run("findings", told, "--site", "larkrise")
    lines = done.stdout.splitlines()
    assert lines[0] == "2 findings; assessed until 2025-06-06"
    assert lines[2].split("  ")[0] == "level"
    assert lines[3].split() == [
        "urgent", "open", "larkrise", "string:s1", "failed_string", "2025-06-03", "2025-06-04", "35.2", "9.86"
    ]  # fmt: skip
    assert lines[4] == "    String s1 makes nothing."


def test_before_anything_was_assessed(run: Run, fleet_folder: Path) -> None:
    done = run("findings", fleet_folder)
    assert done.stdout == f"Nothing has been assessed yet; run: aftercare assess {fleet_folder}\n"
    assert json.loads(run("findings", fleet_folder, "--json").stdout) == {
        "schema": 1, "assessed_until": None, "findings": []
    }  # fmt: skip


@pytest.mark.parametrize(
    ("site", "level", "code"),
    [("larkrise", "urgent", 4), ("larkrise", "note", 4), ("millbeck", "visit", 4), ("larkrise", None, 0)],
)
def test_fail_on(run: Run, told: Path, site: str, level: str | None, code: int) -> None:
    words = ("--fail-on", level) if level else ()
    assert run("findings", told, "--site", site, *words).exit_code == code


def test_fail_on_looks_at_open_findings_at_or_above_the_level(run: Run, fleet_folder: Path) -> None:
    store = Store.open("sqlite:///aftercare.db", fleet_folder)
    with store.write() as conn:
        save_findings(conn, [WATCHED, OVER])
    store.close()
    assert run("findings", fleet_folder, "--all", "--fail-on", "visit").exit_code == 0
    assert run("findings", fleet_folder, "--fail-on", "watch").exit_code == 4


def test_a_wrong_site_file_outranks_fail_on(run: Run, told: Path) -> None:
    site = told / "sites/millbeck.toml"
    site.write_text(site.read_text().replace("tilt_deg", "tilt_degr"))
    assert run("findings", told, "--fail-on", "urgent").exit_code == 2
