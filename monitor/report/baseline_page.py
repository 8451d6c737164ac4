"""A site as installed on a page, in the terminal and for other programs."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from monitor.model.calibration import Z80
from monitor.model.degradation import YearlyChange
from monitor.model.orientation import OrientationFit
from monitor.report import baseline_words as words
from monitor.report.baseline import BaselineSheet, Obstruction, PlaneTold, SkyTold, UnitTold
from monitor.report.figures import png
from monitor.report.render import Page, Picture
from monitor.report.sunpath import sunpath_figure
from monitor.report.templating import render_html, render_text
from monitor.report.words import count
from monitor.report.write import standalone

PICTURES = 12  # skies drawn on a page; those with something before them first


def baseline_text(sheet: BaselineSheet) -> str:
    """The sheet for a terminal."""
    return render_text("baseline.txt", _context(sheet, {}))


def render_baseline(sheet: BaselineSheet) -> Page:
    """The sheet as a page with a sun-path picture of each sky."""
    drawn = sorted(sheet.skies, key=lambda sky: not sky.obstructions)[:PICTURES]
    pictures = {
        sky.subject: Picture(f"sky{i}", sky_alt(sky), png(sunpath_figure(sky.view))) for i, sky in enumerate(drawn, 1)
    }
    context = _context(sheet, pictures)
    return Page(
        subject=context["subject"],
        html=render_html("baseline.html", context),
        text=render_text("baseline.txt", context),
        pictures=tuple(pictures.values()),
    )


def write_baseline_page(sheet: BaselineSheet, folder: Path) -> Path:
    """Write the page as one file that opens anywhere; returns its path."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"baseline-{sheet.site}.html"
    path.write_text(standalone(render_baseline(sheet)), encoding="utf-8")
    return path


def sky_alt(sky: SkyTold) -> str:
    """What a sun-path picture shows, for those who do not see it."""
    return f"The sun's paths over {sky.words}. {' '.join(words.sky_words(sky))}"


def as_document(sheet: BaselineSheet) -> dict[str, Any]:
    """The sheet as other programs read it; angles in degrees, azimuth clockwise from north."""
    return {
        "schema": 1,
        "site": sheet.site,
        "learning": sheet.is_learning,
        "learned_since": sheet.since.isoformat() if sheet.since else None,
        "nights": sheet.nights,
        "assessed_until": sheet.until.isoformat() if sheet.until else None,
        "planes": [_plane(plane) for plane in sheet.planes],
        "units": [_unit(unit) for unit in sheet.units],
        "skies": [_sky(sky) for sky in sheet.skies],
        "remarks": list(sheet.remarks),
    }


def _context(sheet: BaselineSheet, pictures: dict[str, Picture]) -> dict[str, Any]:
    left = len(sheet.skies) - len(pictures)
    return {
        "d": sheet,
        "subject": f"{sheet.name} as installed",
        "headline": words.headline(sheet),
        "pictures": pictures,
        "undrawn": f"{count(left, 'sky is', 'skies are')} told without a picture." if pictures and left else "",
        "words": words,
    }


def _plane(plane: PlaneTold) -> dict[str, Any]:
    learned = plane.learned
    return {
        "plane": plane.plane,
        "strings": list(plane.strings),
        "stated": _lies(*plane.stated),
        "used": _lies(*plane.used),
        "fit": _fit(learned.fit) if learned and learned.fit else None,
        "doubt": learned.doubt if learned else None,
        "learned_until": learned.learned_until.isoformat() if learned else None,
    }


def _fit(fit: OrientationFit) -> dict[str, Any]:
    tilt, azimuth = Z80 * fit.tilt_sigma, Z80 * fit.azimuth_sigma
    is_turned = azimuth < words.AZIMUTH_TOLD_DEG
    return {
        "tilt_deg": _number(fit.tilt_deg),
        "tilt_low_deg": _number(max(fit.tilt_deg - tilt, 0.0)),
        "tilt_high_deg": _number(min(fit.tilt_deg + tilt, 90.0)),
        "azimuth_deg": _number(fit.azimuth_deg) if is_turned else None,
        "azimuth_low_deg": _number((fit.azimuth_deg - azimuth) % 360.0) if is_turned else None,
        "azimuth_high_deg": _number((fit.azimuth_deg + azimuth) % 360.0) if is_turned else None,
        "clear_days": fit.days,
        "trusted": fit.trusted,
        "why_not": fit.why_not or None,
    }


def _unit(unit: UnitTold) -> dict[str, Any]:
    low, high = words.gain_range(unit.gains)
    gains, frozen_on = unit.gains, unit.learning.frozen_on
    return {
        "subject": unit.subject,
        "gain": {"clear_sky": gains.clear_sky, "sensor": gains.sensor, "weather": gains.weather},
        "gain_low": low,
        "gain_high": high,
        "settled": gains.complete,
        "settled_on": frozen_on.isoformat() if frozen_on else None,
        "missing": [] if gains.complete else words.missing(unit.learning),
        "degradation": None if unit.change is None else _change(unit.change),
    }


def _change(change: YearlyChange) -> dict[str, Any]:
    return {
        "change_per_year": change.per_year,
        "low": change.low,
        "high": change.high,
        "pairs_of_days": change.pairs,
        "years": round(change.years, 2),
    }


def _sky(sky: SkyTold) -> dict[str, Any]:
    return {
        "subject": sky.subject,
        "seen_share": sky.seen,
        "hidden_share": sky.hidden,
        "obstructions": [_obstruction(thing) for thing in sky.obstructions],
    }


def _obstruction(thing: Obstruction) -> dict[str, Any]:
    return {
        "azimuth_from_deg": thing.left_deg,
        "azimuth_to_deg": thing.right_deg,
        "top_deg": thing.top_deg,
        "top_low_deg": thing.low_deg,
        "top_high_deg": thing.high_deg,
        "passes_leafy": thing.leafy,
        "passes_bare": thing.bare,
        "months": list(thing.months),
        "hidden_share": thing.hidden,
    }


def _lies(tilt_deg: float, azimuth_deg: float) -> dict[str, float]:
    return {"tilt_deg": tilt_deg, "azimuth_deg": azimuth_deg % 360.0}


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
