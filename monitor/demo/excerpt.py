"""A very small fleet for `sample_data/`: one home, ten days, and a string that opens on the sixth."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

from monitor.demo.casts import show
from monitor.demo.effects import Effect
from monitor.demo.fleet import ZONE, draw_homes, write_home
from monitor.demo.site_file import write_fleet_file, write_layouts, write_site_file
from monitor.demo.span import Span
from monitor.demo.troubles import Happening, Trouble
from monitor.demo.truth import FleetTruth
from monitor.demo.weather import draw_region

DAYS, SOUND_DAYS, MINUTES = 10, 5, 15


def make_excerpt(folder: Path, *, seed: int, last_day: date) -> FleetTruth:
    """Write the fleet folder of one home with two strings on one plane, every quarter of an hour."""
    span = Span(last_day - timedelta(days=DAYS - 1), last_day, ZONE)
    (home,) = draw_homes(seed, span, show(seed, 1).roles)
    home = replace(home, exports=tuple(replace(e, interval_minutes=MINUTES) for e in home.exports))
    write_fleet_file(folder, "Excerpt Roof Works", ZONE)
    write_layouts(folder, [home])
    write_site_file(folder, home, ZONE)
    first, wire = span.day(SOUND_DAYS), home.wires[-1]
    trouble = Trouble(
        home.id, f"string:{wire.id}", "failed_string", first, None, "open from the first minute of the day"
    )
    opened = Effect("open", trouble.subject, (first, 0.0), None)
    happening = (Happening(trouble, (opened,)),)
    return write_home(folder, seed, draw_region(span, [home.place], seed), 0, home, happening)
