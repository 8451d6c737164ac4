"""`assess`, `yields`, `digest` and `status` on a small fleet that went through its nights."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from click.testing import Result

Run = Callable[..., Result]
DAY_COLUMNS = [
    "date", "subject", "measured_kwh", "expected_kwh", "expected_low_kwh", "expected_high_kwh", "irradiation_source",
    "availability", "performance_ratio",
]  # fmt: skip


@pytest.fixture
def assessed(run: Run, fleet_folder: Path) -> Path:
    """A fleet that was ingested and assessed until its last day."""
    assert run("ingest", fleet_folder).exit_code == 0
    done = run("assess", fleet_folder, "--from", "2025-06-01")
    assert (done.exit_code, done.stderr) == (0, "")
    assert done.stdout.startswith("6 nights, 12 site-nights, assessed until 2025-06-06: ")
    return fleet_folder


def test_a_replay_ends_with_the_readings_and_a_catch_up_with_yesterday(run: Run, assessed: Path) -> None:
    done = run("assess", assessed, "--json")
    assert done.exit_code == 0
    document = json.loads(done.stdout)
    assert (document["schema"], document["nights"], document["assessed_until"]) == (1, 1, "2025-06-07")


def test_a_day_that_is_not_over_is_not_assessed(run: Run, assessed: Path) -> None:
    done = run("assess", assessed, "--from", "2025-06-05", "--until", "2025-07-01")
    assert "assessed until 2025-06-07" in done.stdout


def test_one_site_alone(run: Run, assessed: Path) -> None:
    done = run("assess", assessed, "--site", "larkrise", "--until", "2025-06-07")
    assert "1 nights, 1 site-nights, assessed until 2025-06-07" in done.stdout


def test_yields_by_day(run: Run, assessed: Path, tmp_path: Path) -> None:
    out = tmp_path / "days.csv"
    done = run("yields", assessed, "larkrise", "--from", "2025-06-02", "--until", "2025-06-03", "--out", out)
    assert (done.exit_code, done.stdout, done.stderr) == (0, "", f"4 rows written to {out}\n")
    table = pd.read_csv(out)
    assert list(table.columns) == DAY_COLUMNS
    assert sorted(set(table["date"])) == ["2025-06-02", "2025-06-03"]
    # A half sine of 2.8 kW over 16 h, read in quarters of an hour: 16 x 2.8 x 2 / pi.
    assert table["measured_kwh"].tolist() == pytest.approx([28.52] * 4, abs=0.02)


def test_yields_by_interval_in_utc(run: Run, assessed: Path, tmp_path: Path) -> None:
    out = tmp_path / "quarters.parquet"
    day = "2025-06-03"
    assert (
        run("yields", assessed, "larkrise", "--by", "interval", "--from", day, "--until", day, "--out", out).exit_code
        == 0
    )
    table = pd.read_parquet(out)
    one = table[table["subject"] == "inverter:inv1"]
    assert len(one) == 96
    assert one["time"].iloc[0] == pd.Timestamp("2025-06-02T23:00:00Z")
    assert one["measured_kwh"].sum() == pytest.approx(28.52, abs=0.02)


def test_yields_on_a_terminal(run: Run, assessed: Path) -> None:
    lines = run("yields", assessed, "larkrise", "--from", "2025-06-06").stdout.splitlines()
    assert lines[0].split() == DAY_COLUMNS
    assert all(line.split()[0] == "2025-06-06" for line in lines[1:])


def test_yields_without_figures_say_so(run: Run, assessed: Path) -> None:
    done = run("yields", assessed, "larkrise", "--from", "2025-07-01")
    assert (done.exit_code, done.stdout) == (0, "")
    assert done.stderr == "larkrise: no figures for these days; run aftercare assess first\n"


@pytest.mark.parametrize(
    ("out", "code", "message"),
    [
        ("a.xls", 2, "--out a.xls: expected a file that ends in .csv or .parquet."),
        ("none/a.csv", 2, "--out none/a.csv: cannot be written: "),
    ],
)
def test_yields_to_a_place_that_cannot_be(run: Run, assessed: Path, out: str, code: int, message: str) -> None:
    done = run("yields", assessed, "larkrise", "--out", out)
    assert done.exit_code == code
    assert message in done.stderr


def test_service_digest(run: Run, assessed: Path) -> None:
    done = run("digest", assessed, "--for", "service")
    assert done.exit_code == 0
    paths = [Path(line) for line in done.stdout.splitlines()]
    assert sorted(path.suffix for path in paths) == [".eml", ".html"]
    assert all(path.parent == assessed / "digests" and path.stat().st_size for path in paths)


def test_the_service_digest_of_an_earlier_morning(run: Run, assessed: Path, tmp_path: Path) -> None:
    done = run("digest", assessed, "--for", "service", "--night", "2025-06-03", "--out", tmp_path)
    assert (done.exit_code, done.stderr) == (0, "")
    assert [Path(line).name for line in done.stdout.split()] == [
        "service-2025-06-03.eml", "service-2025-06-03.html",
    ]  # fmt: skip
    for words in (["--for", "service", "--send"], ["--for", "homeowner"]):
        refused = run("digest", assessed, *words, "--night", "2025-06-03")
        assert refused.exit_code == 2
        assert "--night is for --for service, and what is past is only written, not sent." in refused.stderr


def test_homeowner_digests_of_a_month(run: Run, assessed: Path, tmp_path: Path) -> None:
    out = tmp_path / "pages"
    done = run("digest", assessed, "--for", "homeowner", "--month", "2025-06", "--out", out)
    assert (done.exit_code, len(done.stdout.splitlines())) == (0, 4)
    done = run("digest", assessed, "--for", "homeowner", "--site", "millbeck", "--month", "2025-06", "--out", out)
    assert all("millbeck" in line for line in done.stdout.splitlines())


def test_a_homeowner_whose_page_fails_leaves_the_others_going(
    run: Run, assessed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from monitor.jobs import digests

    real = digests.gather_homeowner

    def stumble(conn, fleet, site, **rest):  # type: ignore[no-untyped-def]
        if site.id == "larkrise":
            raise ZeroDivisionError("by chance")
        return real(conn, fleet, site, **rest)

    monkeypatch.setattr(digests, "gather_homeowner", stumble)
    done = run("digest", assessed, "--for", "homeowner", "--month", "2025-06")
    assert done.exit_code == 1
    assert done.stderr == "larkrise: the digest could not be written: ZeroDivisionError: by chance\n"
    assert len(done.stdout.splitlines()) == 2


def test_digest_before_any_night(run: Run, fleet_folder: Path) -> None:
    done = run("digest", fleet_folder, "--for", "service")
    assert (done.exit_code, done.stdout) == (0, "")
    assert done.stderr == "nothing to write: no night is assessed yet; run aftercare assess first\n"


def test_status_of_a_fleet_at_rest(run: Run, assessed: Path) -> None:
    (assessed / "incoming/larkrise/inv1_20250699.csv").write_text("time_utc,AC power W\n2025-06-07T12:00:00Z,1\n")
    done = run("status", assessed, "--json")
    assert (done.exit_code, done.stderr) == (0, "")
    standing = json.loads(done.stdout)
    assert standing["daemon"] == {"alive": False, "last_beat": None, "process": None}
    assert standing["jobs"]["ingest"]["last_success"] == "2025-06-08T12:00:00+00:00"
    assert standing["jobs"]["service_digest"] == {
        "last_success": None, "last_failure": None, "failure": None, "next_run": None
    }  # fmt: skip
    assert [(s["site"], s["files"]) for s in standing["sources"]] == [("larkrise", 6), ("millbeck", 6)]
    assert standing["waiting"] == ["incoming/larkrise/inv1_20250699.csv"]
    assert standing["silent_sites"] == []


def test_status_for_a_person_in_local_time(run: Run, assessed: Path) -> None:
    text = run("status", assessed).stdout
    assert text.startswith("daemon: not running, last sign never\n")
    assert "2025-06-08 13:00 BST" in text


def test_status_names_silent_sites_and_wrong_files(run: Run, fleet_folder: Path) -> None:
    for path in (fleet_folder / "incoming/millbeck").glob("inv1_2025060[3-6].csv"):
        path.unlink()
    run("ingest", fleet_folder)
    site = fleet_folder / "sites/larkrise.toml"
    site.write_text(site.read_text().replace("tilt_deg", "tilt_degr"))
    done = run("status", fleet_folder)
    assert done.exit_code == 2
    assert "  millbeck: last readings on 2025-06-02" in done.stdout
    assert "wrong in the configuration:\n  sites/larkrise.toml: plane[0].tilt_deg" in done.stdout


def test_a_failed_step_of_a_site_is_told_and_counts(run: Run, assessed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from monitor.jobs import assessing
    from monitor.nightly import AssessReport

    report = AssessReport(0, 0, (), (), ("larkrise: stumbled",), None)
    monkeypatch.setattr(assessing, "assess", lambda *_args, **_rest: report)
    done = run("assess", assessed)
    assert (done.exit_code, done.stderr) == (1, "larkrise: stumbled\n")
    failed = json.loads(run("status", assessed, "--json").stdout)["jobs"]["assess"]
    assert failed["failure"].endswith("larkrise: stumbled")
    assert failed["last_failure"] == "2025-06-08T12:00:00+00:00"
