"""What the board's pages promise: content, form, and no harm from names."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from xml.etree import ElementTree

import html5lib
import pytest

from monitor.config.models import Fleet, FleetFile, Site
from monitor.jobs.board import write_board
from monitor.jobs.losses import read_loss_sheet
from monitor.jobs.telling import limit_words, list_limits, list_ranked_findings
from monitor.report.adding_up import together
from monitor.report.board.page import exact_kwh
from monitor.report.words import about_kwh
from monitor.store import Store

AS_OF = date(2026, 8, 31)
HARM = "</script><script>alert(1)</script>"
HTML = "{http://www.w3.org/1999/xhtml}"


@pytest.fixture(scope="module")
def board(assessed: tuple[Path, list[Site]], tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("written") / "board"
    given = {"fleet": {"name": "Northmoor", "timezone": "Europe/London", "currency": "GBP"}}
    fleet = Fleet(assessed[0], FleetFile.model_validate(given), tuple(assessed[1]))
    store = Store.open("sqlite:///test.db", assessed[0])
    assert write_board(fleet, store, folder) is not None
    store.close()
    return folder


def pages(board: Path) -> list[Path]:
    return sorted(board.rglob("*.html"))


def parse(page: Path) -> ElementTree.Element:
    """A page as a tree; whatever is not well-formed is an error."""
    found: ElementTree.Element = html5lib.HTMLParser(strict=True).parse(page.read_text("utf-8"))
    return found


def text_of(page: Path) -> str:
    body = parse(page).find(f"{HTML}body")
    assert body is not None
    return " ".join(" ".join(body.itertext()).split())


def elements(page: Path, *names: str) -> Iterator[ElementTree.Element]:
    for element in parse(page).iter():
        if str(element.tag).removeprefix(HTML) in names:
            yield element


def test_the_front_page_begins_with_what_needs_somebody(board: Path) -> None:
    page = board / "index.html"
    hrefs = [str(a.get("href")) for a in elements(page, "a") if str(a.get("href")).startswith("sites/")]
    assert hrefs == [f"sites/{name}.html" for name in ("ash", "elm", "oak", "yew", "fir")]
    text = text_of(page)
    assert "1 site needs somebody today, 1 site is worth a visit, of 5 sites." in text
    for group in ("1 Today", "1 Visit", "1 Watch", "1 Quiet", "1 Silent"):
        assert group in text
    assert "Fir fir last readings on 20 Aug 2026" in text


def test_a_line_says_what_where_since_when_what_it_costs_and_how_sure(board: Path, fleet: Fleet, store: Store) -> None:
    row = next(r for r in elements(board / "index.html", "tr") if "ash.html" in ElementTree.tostring(r, "unicode"))
    cells = [" ".join("".join(cell.itertext()).split()) for cell in row]
    assert cells[0] == f"{HARM} ash"
    assert cells[1] == "Urgent, may be a danger. String makes nothing: string s1 on inverter inv1"
    assert cells[2:4] == ["3 Aug 2026", "35.2 kWh, 10.50 GBP"]
    value = list_ranked_findings(fleet, store, site_id="ash", include_cleared=False).values["dead"]
    assert value.money is not None
    assert cells[4] == f"{about_kwh(value.kwh)} kWh, {value.money:.2f} GBP"
    assert cells[5] == "practically certain (99%)"


def test_a_site_page_tells_its_findings_in_full(board: Path) -> None:
    text = text_of(board / "sites" / "ash.html")
    for part in (
        "Urgent, may be a danger",
        "energy is being lost every sunny day: act today",
        "String s1 has made nothing.",
        "Since 3 Aug 2026",
        "First reported after 4 Aug 2026",
        "Lost so far 35.2 kWh (31.0 to 39.9), 10.50 GBP",
        "How sure practically certain (99%)",
        "Energy expected in the hours that count 12.3 kWh",
        "Check first. Look at its voltage.",
        "Past findings String makes nothing, string s2 on inverter inv1: 3 Aug 2026 to 9 Aug 2026",
        "log inverter inv1 31 Aug 2026",
        "Figures up to 31 Aug 2026.",
    ):
        assert part in text, part


def test_the_other_likeliest_cause_is_named_where_the_first_is_not_certain(board: Path) -> None:
    assert "If it is not that, most likely it is dirt (30%)." in text_of(board / "sites" / "elm.html")
    assert "most likely" not in text_of(board / "sites" / "ash.html")


def test_what_a_household_uses_is_not_shown(board: Path) -> None:
    assert not [path for path in board.rglob("*") if path.is_file() and b"4711" in path.read_bytes()]


def test_where_the_energy_went_adds_up_as_the_losses_do(board: Path, fleet: Fleet, store: Store) -> None:
    table = next(t for t in elements(board / "sites" / "ash.html", "table") if "sums" in str(t.get("class")))
    rows = [["".join(cell.itertext()).strip() for cell in row] for row in table.iter(f"{HTML}tr")][1:]
    wh = {label: round(1000 * float(kwh.replace(",", ""))) for label, kwh, _ in rows}
    expected = wh.pop("Expected, the sum")
    assert sum(wh.values()) == expected
    known = together(read_loss_sheet(store, fleet.site("ash"), AS_OF - timedelta(days=364), AS_OF, "month").parts)
    assert (expected, wh["Made"]) == (known.expected, known.measured)
    assert wh["String makes nothing"] == sum(known.findings.values()) > 0


def test_what_the_data_cannot_show_is_told_as_findings_limits_does(board: Path, fleet: Fleet, store: Store) -> None:
    told = list_limits(fleet, store, site_id="elm")[0].limits
    assert told
    text = text_of(board / "sites" / "elm.html")
    assert all(" ".join(limit_words(limit).split()) in text for limit in told)


def test_names_do_no_harm(board: Path) -> None:
    for page in pages(board):
        assert [s.get("src") for s in elements(page, "script")] in ([], ["board.js"])
    piece = (board / "lines-1.js").read_text()
    assert "</" not in piece
    call = re.fullmatch(r"boardLines\(0,(.*)\);\n", piece, re.DOTALL)
    assert call is not None
    assert [row[:3] for row in json.loads(call[1])][0] == ["ash", HARM, 0]
    for picture in (board / "sites").glob("*.svg"):
        ElementTree.fromstring(picture.read_text("utf-8"))


def test_every_link_leads_somewhere_within_the_folder(board: Path) -> None:
    for page in pages(board):
        for element in elements(page, "a", "link", "script", "img"):
            target = str(element.get("href") or element.get("src"))
            name, _, part = target.partition("#")
            if target.startswith("data:,"):
                continue
            place = (page.parent / name).resolve() if name else page
            assert place.is_file(), f"{page}: {target}"
            assert place.is_relative_to(board.resolve())
            if part:
                assert part in [e.get("id") for e in parse(place).iter()], f"{page}: {target}"


def test_nothing_is_asked_of_the_network(board: Path) -> None:
    names = {"http://www.w3.org/2000/svg"}
    for path in (p for p in board.rglob("*") if p.suffix in (".html", ".css", ".js", ".svg")):
        found = set(re.findall(r"(?:https?:)?//[\w.-]+\.[\w./-]+", path.read_text("utf-8")))
        assert found <= names, path
        assert "@import" not in path.read_text("utf-8")


def test_pages_are_for_the_firm_alone(board: Path) -> None:
    for page in pages(board):
        robots = [m.get("content") for m in elements(page, "meta") if m.get("name") == "robots"]
        assert robots == ["noindex, nofollow"]
        assert "For Northmoor only" in text_of(page)


def test_pages_can_be_read_without_eyes_and_without_a_mouse(board: Path) -> None:
    for page in pages(board):
        root = parse(page)
        assert root.get("lang") == "en"
        headings = [int(h.tag[-1]) for h in root.iter() if re.fullmatch(r"\{.*\}h[1-6]", str(h.tag))]
        assert headings.count(1) == 1
        assert all(after - before <= 1 for before, after in zip(headings, headings[1:], strict=False)), page
        assert all(th.get("scope") in ("row", "col") for th in elements(page, "th"))
        assert all(img.get("alt") and img.get("width") and img.get("height") for img in elements(page, "img"))
        ids = [e.get("id") for e in root.iter() if e.get("id")]
        assert len(ids) == len(set(ids))
        labels = {label.get("for") for label in elements(page, "label")}
        assert {field.get("id") for field in elements(page, "input", "select")} == labels
        assert not [e for e in root.iter() if e.get("tabindex") or e.get("onclick")]


def test_a_home_without_a_night_has_a_page_too(
    fleet: Fleet, store: Store, tmp_path: Path, make_home: Callable[..., Site]
) -> None:
    fleet = replace(fleet, sites=(*fleet.sites, make_home("new")))
    write_board(fleet, store, tmp_path / "board")
    assert "No night has been assessed yet." in text_of(tmp_path / "board" / "sites" / "new.html")
    assert "New new no readings yet" in text_of(tmp_path / "board" / "index.html")


def test_site_files_with_mistakes_are_told(fleet: Fleet, store: Store, tmp_path: Path) -> None:
    write_board(replace(fleet, faults=("sites/bad.toml: [site] id is missing",)), store, tmp_path / "board")
    assert "sites/bad.toml: [site] id is missing" in text_of(tmp_path / "board" / "index.html")


@pytest.mark.parametrize(("wh", "text"), [(0, "0.000"), (1234567, "1,234.567"), (-4, "-0.004")])
def test_energies_are_said_to_the_watt_hour(wh: int, text: str) -> None:
    assert exact_kwh(wh) == text
