"""What a site would make in a usual year, by what is known of its sky, its level and what stands before it."""

from __future__ import annotations

from datetime import date, timedelta

from sqlalchemy import Connection

from monitor.config.models import Site
from monitor.looking_back.part_lines import inverters_of
from monitor.model.dayview import gains_behind
from monitor.model.gain import Gains
from monitor.model.history import SiteHistory
from monitor.model.typical_year import TypicalYear, UsualSky, indices_of, typical_year, usual_sky
from monitor.store.daily import feature_days


def usual_year(conn: Connection, site: Site, history: SiteHistory, until: date) -> TypicalYear:
    """The site's typical year, under the sky that its own days make usual."""
    gains = {u: gains_of(site, history, u, until) for u in inverters_of(site)}
    maps = {s: sky.sky_map for s, sky in history.shading(history.skies).items()}
    rows = feature_days(conn, site=site.id, subject="site", first=date.min, last=until)
    indices = indices_of(rows)
    elsewhere = typical_year(site, usual_sky({}, {}), gains=gains, maps={})
    sky: UsualSky = usual_sky(indices, {day: elsewhere.share(day) for day in indices})
    return typical_year(site, sky, gains=gains, maps=maps)


def gains_of(site: Site, history: SiteHistory, unit: str, until: date) -> Gains:
    """An inverter's gains behind what stood before the sky."""
    skies = history.shading([unit, *(f"string:{s.id}" for s in site.strings_of(unit.partition(":")[2]))])
    return gains_behind(site, unit, skies, history.gains(unit, until + timedelta(days=1)))
