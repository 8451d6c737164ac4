"""The list of a fleet of any size, its index for the search, and the lines themselves."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.report.board.front import ROWS, front_pages, in_order, index_pieces
from monitor.report.board.lines import group_of, line_of
from monitor.report.board.sheet import GROUPS, Front, Line
from monitor.report.ranking import NextYear


def invented(count: int) -> Front:
    """A fleet of which a tenth needs somebody."""
    lines = []
    for n in range(count):
        group = ("today", "visit", "watch", "silent")[n // 10 % 4] if n % 10 == 0 else "quiet"
        more: dict[str, Any] = {}
        if group not in ("quiet", "silent"):
            more = {
                "level": "Visit", "cause": "String makes less than it should", "since": "2026-04-06", "lost": "101 kWh",
                "what": "string s1 on inverter inv1", "ahead": "150 kWh, 44.48 GBP", "sure": "likely (85%)",
            }  # fmt: skip
        lines.append(Line(id=f"home{n:05d}", name=f"{n} Long Meadow Lane", group=group, **more))  # type: ignore[arg-type]
    ordered = in_order(lines)
    counts = {group: sum(line.group == group for line in ordered) for group in GROUPS}
    return Front(fleet="Northmoor", as_of=date(2026, 8, 31), lines=ordered, counts=counts, faults=())


def rows_of(front: Front) -> list[list[Any]]:
    calls = [re.fullmatch(r"boardLines\((\d+),(.*)\);\n", text, re.DOTALL) for _, text in index_pieces(front)]
    assert [int(call[1]) for call in calls if call] == list(range(len(calls)))
    return [row for call in calls if call for row in json.loads(call[2])]


def test_ten_thousand_sites_stay_light() -> None:
    front = invented(10_000)
    pages = dict(front_pages(front))
    pieces = dict(index_pieces(front))
    assert len(pages["index.html"]) < 100_000
    assert len(pages["index.html"]) + sum(map(len, pieces.values())) < 2_000_000
    assert all(len(piece) < 500_000 for piece in pieces.values())
    assert all(f"{name}" in pages["index.html"] for name in pieces)


@pytest.mark.parametrize("count", [1, ROWS, ROWS + 1, 2731])
def test_every_site_stands_once_in_the_pages_and_once_in_the_index(count: int) -> None:
    front = invented(count)
    pages = dict(front_pages(front))
    ids = [name for text in pages.values() for name in re.findall(r'href="sites/(\w+)\.html"', text)]
    assert ids == [line.id for line in front.lines]
    assert [row[0] for row in rows_of(front)] == ids
    assert len(pages) == -(-count // ROWS)


def test_pages_lead_to_each_other_and_to_where_groups_begin() -> None:
    pages = dict(front_pages(invented(5 * ROWS)))
    assert 'rel="prev"' not in pages["index.html"]
    assert 'href="list-3.html" rel="next"' in pages["list-2.html"]
    assert 'href="index.html" rel="prev"' in pages["list-2.html"]
    assert 'rel="next"' not in pages["list-5.html"]
    for text in pages.values():
        for name, part in re.findall(r'href="((?:index|list-\d+)\.html)#(\w+)"', text):
            assert f'<h2 id="{part}">' in pages[name]


def test_the_index_holds_what_the_pages_say() -> None:
    front = invented(30)
    causes = sorted({line.cause for line in front.lines if line.cause})
    for row, line in zip(rows_of(front), front.lines, strict=True):
        full = row + [""] * (10 - len(row))
        assert (full[0], full[1], list(GROUPS)[full[2]]) == (line.id, line.name, line.group)
        assert (full[3], full[4], full[6], full[7], full[8], full[9]) == (
            line.what, line.level, line.since, line.lost, line.ahead, line.sure,
        )  # fmt: skip
        assert (causes[full[5]] if line.cause else "") == line.cause


@pytest.mark.parametrize(
    ("settings", "is_heard", "group"),
    [
        ([{"level": "urgent"}], True, "today"),
        ([{"level": "visit", "cause": "soiling"}], True, "visit"),
        ([{"level": "visit", "cause": "soiling"}], False, "visit"),
        ([{"level": "watch", "cause": "soiling"}], True, "watch"),
        ([{"level": "watch", "cause": "missing_data"}], False, "silent"),
        ([{"level": "note", "cause": "clipping"}], True, "quiet"),
        ([{"level": "urgent", "state": "cleared"}], True, "quiet"),
        # A contact that grows with the current may burn, however little it costs.
        ([{"level": "watch", "cause": "soiling", "evidence": {"grows_with_current": True}}], True, "today"),
        ([], False, "silent"),
        ([], True, "quiet"),
    ],
)  # fmt: skip
def test_a_site_stands_where_its_worst_finding_puts_it(
    make_finding: Callable[..., Finding], settings: list[dict[str, Any]], is_heard: bool, group: str
) -> None:
    assert group_of([make_finding(**one) for one in settings], is_heard=is_heard) == group


def test_a_line_adds_up_all_that_is_open(make_site: Callable[..., Site], make_finding: Callable[..., Finding]) -> None:
    findings = [
        make_finding(id="a", lost_kwh=10.0, lost_money=3.0),
        make_finding(id="b", lost_kwh=5.0, lost_money=1.5, cause="soiling", level="watch"),
        make_finding(id="c", lost_kwh=100.0, lost_money=30.0, level="note", cause="clipping"),
        make_finding(id="d", lost_kwh=100.0, lost_money=30.0, state="cleared"),
    ]
    values = {"a": NextYear(400.0, 400.0, None, None), "b": NextYear(20.0, 10.0, None, None)}
    line = line_of(make_site(), findings, values, last_heard=None, is_heard=True, currency="GBP")
    assert (line.lost, line.ahead) == ("15.0 kWh, 4.50 GBP", "420 kWh")
    assert line.what == "string s1 on inverter inv1, and 1 other finding"


def test_money_is_told_only_where_all_of_it_is_known(
    make_site: Callable[..., Site], make_finding: Callable[..., Finding]
) -> None:
    findings = [make_finding(id="a", lost_money=None), make_finding(id="b", cause="soiling")]
    line = line_of(make_site(), findings, {}, last_heard=None, is_heard=True, currency="GBP")
    assert (line.lost, line.ahead) == ("70.4 kWh", "")
