"""Board data to files: pages, pictures, rules and script."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import monitor.report
from monitor.report.board.charts import chart_svg
from monitor.report.board.sheet import GROUPS, Bars, SiteSheet
from monitor.report.facts import card_facts
from monitor.report.templating import own_file, render_plain, stylesheet
from monitor.report.words import LEVELS, day_words, kwh, share

SITES = "sites"  # folder of the sites' pages
_KINDS = (".py", ".html", ".jinja", ".svg", ".js")


def common_files() -> Iterator[tuple[str, str]]:
    """What all pages share."""
    # Paper has no dark.
    dark = f"@media screen {{\n{stylesheet('dark.css.jinja')}}}\n"
    yield "board.css", stylesheet("page.css.jinja") + dark + stylesheet("board/board.css.jinja")
    yield "board.js", own_file("board/board.js")


def site_page(sheet: SiteSheet, fleet: str) -> str:
    """A site's page."""
    return render_plain(
        "board/site.html",
        {
            "d": sheet,
            "fleet": fleet,
            "until": day_words(sheet.until) if sheet.until else "",
            "groups": GROUPS,
            "levels": LEVELS,
            "facts": card_facts,
            "charts": [(f"{sheet.line.id}.{kind}.svg", heading, text) for kind, heading, text in _charts(sheet)],
            "day": day_words,
            "exact": exact_kwh,
            "share": share,
            "up": "../",
        },
    )


def site_charts(sheet: SiteSheet) -> Iterator[tuple[str, str]]:
    """A site's bars by the name of their file, beside its page."""
    bars = {"months": sheet.months, "days": sheet.days}
    for kind, _, text in _charts(sheet):
        drawn = bars[kind]
        if drawn is not None:
            yield f"{sheet.line.id}.{kind}.svg", chart_svg(drawn, text)


def exact_kwh(wh: int) -> str:
    """Watt-hours as kWh to the last of them."""
    return f"{wh / 1000:,.3f}"


def page_path(site_id: str) -> str:
    """Where a site's page lies in the folder."""
    return f"{SITES}/{site_id}.html"


@cache
def program_hash() -> str:
    """Changes with anything that decides how pages look, so that a new version writes all of them anew."""
    folder = Path(monitor.report.__file__).parent
    files = sorted(path for path in folder.rglob("*") if path.suffix in _KINDS)
    return hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()[:16]


def _charts(sheet: SiteSheet) -> Iterator[tuple[str, str, str]]:
    if sheet.months is not None:
        yield "months", "The last months", f"Energy by month of {sheet.line.name}: {_sums(sheet.months)}"
    if sheet.days is not None:
        yield "days", "The last 60 days", f"Energy by day of {sheet.line.name}: {_sums(sheet.days)}"


def _sums(bars: Bars) -> str:
    both = [(m, e) for m, e in zip(bars.measured, bars.expected, strict=True) if m == m and e == e]
    made, due, lost = sum(m for m, _ in both), sum(e for _, e in both), sum(bars.lost)
    text = f"{kwh(made)} kWh made of {kwh(due)} kWh expected"
    return f"{text}; {kwh(lost)} kWh lost to what somebody should act on." if lost > 0.05 else f"{text}."
