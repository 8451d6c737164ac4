"""`aftercare verdict`: what becomes of a finding, what no replay takes back, and what is refused in which words."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

from tests.conftest import DAYS, FIRST_DAY

Run = Callable[..., Result]
DEAD_FROM, LAST = FIRST_DAY + timedelta(days=2), FIRST_DAY + timedelta(days=DAYS - 1)


@pytest.fixture
def found(run: Run, fleet_folder: Path, write_day: Callable[[date], str]) -> Path:
    """A fleet in which one inverter stands still from the third day on, assessed until the fourth."""
    for n in range(2, DAYS):
        day = FIRST_DAY + timedelta(days=n)
        head, *rows = write_day(day).splitlines()
        dead = [head, *(f"{row.partition(',')[0]},0" for row in rows)]
        (fleet_folder / f"incoming/larkrise/inv1_{day:%Y%m%d}.csv").write_text("\n".join(dead) + "\n")
    assert run("ingest", fleet_folder).exit_code == 0
    assert run("assess", fleet_folder, "--from", FIRST_DAY, "--until", DEAD_FROM + timedelta(days=1)).exit_code == 0
    return fleet_folder


def told(run: Run, fleet: Path, *words: str) -> list[dict[str, Any]]:
    findings: list[dict[str, Any]] = json.loads(run("findings", fleet, *words, "--json").stdout)["findings"]
    return findings


def test_a_confirmed_finding_stays_open_and_is_certain_through_a_replay(run: Run, found: Path) -> None:
    (before,) = told(run, found)
    assert before["confidence"] < 1.0
    assert before["verdict"] is None
    on = (DEAD_FROM + timedelta(days=2)).isoformat()
    answer = json.loads(
        run("verdict", found, before["id"], "confirmed", "--note", "fuse blown", "--on", on, "--json").stdout
    )
    assert answer["finding"]["state"] == "open"
    for _ in range(2):
        (finding,) = told(run, found)
        assert (finding["id"], finding["verdict"], finding["confidence"]) == (before["id"], "confirmed", 1.0)
        assert finding["evidence"]["verdict"] == {"said": "confirmed", "on": on, "note": "fuse blown"}
        assert run("assess", found, "--from", FIRST_DAY).exit_code == 0


def test_no_fault_is_closed_at_once_and_not_raised_again_by_what_was_there_already(run: Run, found: Path) -> None:
    (before,) = told(run, found)
    on = (DEAD_FROM + timedelta(days=2)).isoformat()
    assert run("verdict", found, before["id"][:6], "not-a-fault", "--on", on).exit_code == 0
    assert told(run, found) == []  # before any night has seen it
    for words in ((), ("--from", FIRST_DAY), ("--from", DEAD_FROM)):
        assert run("assess", found, *words).exit_code == 0
        (closed,) = told(run, found, "--all")
        assert (closed["id"], closed["state"], closed["cleared"]) == (before["id"], "cleared", on)
        assert closed["verdict"] == "not-a-fault"


def test_a_trouble_that_goes_on_after_a_repair_is_a_new_one(run: Run, found: Path) -> None:
    (before,) = told(run, found)
    on = DEAD_FROM + timedelta(days=2)
    assert run("verdict", found, before["id"], "repaired", "--on", on).exit_code == 0
    assert run("assess", found).exit_code == 0
    again, closed = sorted(told(run, found, "--all"), key=lambda f: f["state"], reverse=True)
    assert (closed["id"], closed["state"], closed["cleared"]) == (before["id"], "cleared", on.isoformat())
    assert again["id"] != before["id"]
    assert again["since"] == again["raised"] == (on + timedelta(days=1)).isoformat()


def test_a_night_sees_a_verdict_only_from_its_day_on(run: Run, found: Path) -> None:
    (before,) = told(run, found)
    on = DEAD_FROM + timedelta(days=2)
    assert run("assess", found).exit_code == 0
    assert run("verdict", found, before["id"], "not-a-fault", "--on", on).exit_code == 0
    assert run("assess", found, "--from", FIRST_DAY, "--until", on - timedelta(days=1)).exit_code == 0
    (open_again,) = told(run, found)
    assert (open_again["state"], open_again["verdict"]) == ("open", None)
    assert run("assess", found).exit_code == 0
    assert told(run, found) == []


def test_a_verdict_of_days_ago_has_its_nights_assessed_again(run: Run, found: Path) -> None:
    assert run("assess", found).exit_code == 0
    (before,) = told(run, found)
    on = DEAD_FROM + timedelta(days=1)
    assert before["lost_kwh"] > 0.0
    result = run("verdict", found, before["id"], "not-a-fault", "--on", on)
    assert f"the nights from {on} on are assessed again" in result.stderr
    assert run("assess", found).exit_code == 0
    (closed,) = told(run, found, "--all")
    assert closed["lost_kwh"] < before["lost_kwh"]  # the days after it are no loss of this finding


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("zz", "repaired"), "finding 'zz': none of 1 findings (1 open) has an id that begins so; expected one of"),
        (("ID", "broken"), "'broken': expected one of confirmed, not-a-fault or repaired"),
        (("ID",), "Expected the fleet folder, a FINDING and one of confirmed, not-a-fault or repaired; found"),
        (("ID", "repaired", "--on", "2025-06-09"), "lies in the future; expected a day until today, 2025-06-08"),
        (("ID", "repaired", "--on", "2025-06-01"), "was first reported after 2025-06-03; expected that day or a later"),
    ],
)
def test_what_is_refused_names_what_was_found_and_expected(
    run: Run, found: Path, words: tuple[str, ...], said: str
) -> None:
    (before,) = told(run, found)
    result = run("verdict", found, *(before["id"] if word == "ID" else word for word in words))
    assert result.exit_code == 2
    assert said in " ".join(result.stderr.split())
    assert told(run, found) == [before]


def test_a_finding_that_is_closed_takes_no_verdict(run: Run, found: Path) -> None:
    (before,) = told(run, found)
    assert run("verdict", found, before["id"], "repaired").exit_code == 0
    result = run("verdict", found, before["id"], "confirmed")
    assert result.exit_code == 2
    assert "cleared on 2025-06-08, repaired; expected an open finding" in result.stderr


def test_status_counts_verdicts_by_cause(run: Run, found: Path) -> None:
    (before,) = told(run, found)
    (record,) = json.loads(run("status", found, "--json").stdout)["detectors"]
    assert (record["raised"], record["false_share"]) == (1, None)
    assert run("verdict", found, before["id"], "not-a-fault").exit_code == 0
    (record,) = json.loads(run("status", found, "--json").stdout)["detectors"]
    assert (record["cause"], record["raised"], record["not_a_fault"]) == (before["cause"], 1, 1)
    assert record["false_share_low"] == pytest.approx(0.2065, abs=5e-5)  # 1 / (1 + 1.96^2), Wilson 1927
    assert "100% (21% to 100%)" in run("status", found).stdout


def test_limits_of_a_young_site_say_from_when_on_it_can_be_told(run: Run, found: Path) -> None:
    document = json.loads(run("findings", found, "--limits", "--site", "millbeck", "--json").stdout)
    (limit,) = document["sites"][0]["limits"]
    assert (limit["subject"], limit["state"], limit["least_loss"]) == ("inverter:inv1", "learning", None)
    assert limit["can_tell_from"] > document["sites"][0]["assessed_until"]
    assert any("three lines of configuration" in help_ for help_ in limit["would_help"])
    assert "learning, can tell from about" in run("findings", found, "--limits").stdout
    assert "goes with neither" in run("findings", found, "--limits", "--all").stderr


def test_losses_add_up_and_a_verdict_moves_them_to_the_unexplained(run: Run, found: Path) -> None:
    (before,) = told(run, found)
    total = json.loads(run("losses", found, "larkrise", "--json").stdout)["total"]
    assert total["findings"][before["id"]] > 0
    assert total["expected"] == total["measured"] + sum(total["findings"].values()) + total["unexplained"]
    assert "2025-06" in run("losses", found, "larkrise").stdout
    assert run("verdict", found, before["id"], "not-a-fault").exit_code == 0
    after = json.loads(run("losses", found, "larkrise", "--json").stdout)["total"]
    assert after["findings"] == {}
    assert after["unexplained"] == total["unexplained"] + total["findings"][before["id"]]
