"""`aftercare callback`: what it prints and writes, and how it ends."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Run = Callable[..., Result]
SPAN = ("--from", "2025-06-01", "--until", "2025-06-06")
EVIL = "Larkrise <script>alert(1)</script> & Söhne"


@pytest.fixture
def assessed(run: Run, fleet_folder: Path) -> Path:
    """A fleet of a few clear days, with a quote, handover values, and a name that means harm."""
    path = fleet_folder / "sites/larkrise.toml"
    text = path.read_text().replace('name = "Larkrise Cottage"', f"name = '{EVIL}'\nquoted_kwh_per_year = 4100")
    path.write_text(text + "\n[handover]\ndate = 2025-06-01\n")
    assert run("ingest", fleet_folder).exit_code == 0
    assert run("assess", fleet_folder).exit_code == 0
    return fleet_folder


def test_it_prints_the_verdict_and_writes_page_paper_and_tables(run: Run, assessed: Path, tmp_path: Path) -> None:
    result = run("callback", assessed, "larkrise", *SPAN, "--out", tmp_path / "pack")
    assert result.exit_code == 0
    assert result.stdout.startswith("It cannot be told.\nFrom 1 Jun 2025 to 6 Jun 2025 the roof made ")
    assert "because too few of its days have figures" in " ".join(result.stdout.split())
    name = "callback-larkrise-2025-06-01-2025-06-06"
    endings = (".html", ".pdf", "-days.csv", "-waterfall.csv", "-findings.csv")
    assert result.stderr.splitlines() == [f"written to {tmp_path / 'pack' / name}{ending}" for ending in endings]
    assert (tmp_path / "pack" / f"{name}.pdf").read_bytes().startswith(b"%PDF-")
    with (tmp_path / "pack" / f"{name}-waterfall.csv").open(newline="") as lines:
        steps = list(csv.DictReader(lines))
    assert sum(int(step["wh"]) for step in steps[:-1]) == int(steps[-1]["wh"])


def test_the_page_shows_names_as_text_and_asks_nothing_of_anybody(run: Run, assessed: Path, tmp_path: Path) -> None:
    run("callback", assessed, "larkrise", *SPAN, "--out", tmp_path)
    (page,) = [path.read_text("utf-8") for path in tmp_path.glob("*.html")]
    assert "<script" not in page
    assert "Larkrise &lt;script&gt;alert(1)&lt;/script&gt; &amp; Söhne" in page
    assert not re.search(r'(src|href)="(?!data:image/png;base64,)', page)
    heads = re.findall(r"<h2>([^<]+)", page)
    assert heads == [
        "Where the energy went", "What was found, and what proves it", "What the readings say of each part",
        "Beside the day of handover", "What the data cannot say", "What to measure on site", "How it was worked out",
    ]  # fmt: skip
    assert "@page { size: A4" in page
    assert all(alt for alt in re.findall(r'alt="([^"]*)"', page))
    assert "Strings are live in daylight" in page


def test_json_is_the_same_in_one_document_and_writes_nothing(run: Run, assessed: Path) -> None:
    result = run("callback", assessed, "larkrise", *SPAN, "--json")
    document = json.loads(result.stdout)
    assert (document["schema"], document["site"], document["days_reckoned"]) == (1, "larkrise", 6)
    fall = document["waterfall"]
    assert fall["start"]["wh"] + sum(step["wh"] for step in fall["steps"]) == fall["end"]["wh"]
    assert fall["start"]["key"] == "quoted"
    assert document["verdict"]["kind"] == "cannot_tell"
    assert len(document["verdict"]["sentences"]) == 2
    assert document["measure_on_site"]["caution"].startswith("Strings are live in daylight")
    assert {point["of"] for point in document["says"]["strings"]} == {"Not measured"}
    assert result.stderr == ""
    assert not (assessed / "callbacks").exists()


def test_without_out_the_pack_goes_into_the_fleet_folder(run: Run, assessed: Path) -> None:
    assert run("callback", assessed, "millbeck", *SPAN).exit_code == 0
    assert len(list((assessed / "callbacks").iterdir())) == 5


def test_without_a_quote_it_begins_with_the_weather(run: Run, assessed: Path) -> None:
    document = json.loads(run("callback", assessed, "millbeck", *SPAN, "--json").stdout)
    assert document["waterfall"]["start"]["key"] == "weather_allowed"
    assert document["quote"]["kwh_per_year"] is None
    assert all(month["quoted_kwh"] is None for month in document["months"])


def test_the_same_store_gives_the_same_paper(run: Run, assessed: Path, tmp_path: Path) -> None:
    for name in ("a", "b"):
        run("callback", assessed, "larkrise", *SPAN, "--out", tmp_path / name)
    first, second = (next((tmp_path / name).glob("*.pdf")).read_bytes() for name in ("a", "b"))
    assert first == second


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("larkrize", *SPAN), "site 'larkrize': not a site of this fleet; did you mean larkrise?"),
        (SPAN, "Expected the fleet folder and one SITE; found no SITE."),
        (
            ("larkrise", "--from", "2025-06-06", "--until", "2025-06-01"),
            "--until 2025-06-01 lies before --from 2025-06-06.",
        ),
        (("larkrise", "--from", "2025-06-01"), "Missing option '--until'"),
        (("larkrise", "--from", "June", "--until", "2025-06-01"), "'June': expected a date such as 2025-06-30"),
        (
            ("larkrise", "--from", "2024-01-01", "--until", "2024-12-31"),
            "--until 2024-12-31: larkrise was commissioned on 2025-06-01 (site.commissioned); expected a period after",
        ),
        (
            ("larkrise", "--from", "2025-07-01", "--until", "2025-07-31"),
            "--until 2025-07-31: no figures of larkrise in this period; it is assessed from 2025-06-01 to 2025-06-07",
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_answered_is_told(run: Run, assessed: Path, words: tuple[str, ...], message: str) -> None:
    result = run("callback", assessed, *words)
    assert result.exit_code == 2
    assert message in " ".join(result.stderr.split())


def test_a_site_without_a_night_gets_a_hint(run: Run, fleet_folder: Path) -> None:
    result = run("callback", fleet_folder, "larkrise", *SPAN)
    assert result.exit_code == 2
    assert result.stderr == "site 'larkrise': no night is assessed yet; run aftercare assess first\n"


def test_a_folder_that_cannot_be_written_is_told(run: Run, assessed: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    result = run("callback", assessed, "larkrise", *SPAN, "--out", tmp_path / "file" / "pack")
    assert result.exit_code == 2
    assert "cannot be written: Not a directory" in result.stderr


def test_half_a_day_without_readings_is_a_gap_and_a_silent_day_does_not_count(run: Run, fleet_folder: Path) -> None:
    half = fleet_folder / "incoming/larkrise/inv1_20250603.csv"
    half.write_text("\n".join(half.read_text().splitlines()[:49]) + "\n")
    (fleet_folder / "incoming/larkrise/inv1_20250604.csv").unlink()
    assert run("ingest", fleet_folder).exit_code == 0
    assert run("assess", fleet_folder).exit_code == 0
    document = json.loads(run("callback", fleet_folder, "larkrise", *SPAN, "--json").stdout)
    fall = document["waterfall"]
    assert (document["days"], document["days_reckoned"]) == (6, 5)
    assert fall["start"]["wh"] + sum(step["wh"] for step in fall["steps"]) == fall["end"]["wh"]
    gaps = next(step["wh"] for step in fall["steps"] if step["key"] == "gaps")
    assert -15_000 < gaps < -4_000  # about half a day's energy
