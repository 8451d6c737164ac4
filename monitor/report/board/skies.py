"""What stands before the skies of a site, for its page."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from monitor.config.models import Site
from monitor.model.learned_sky import LearnedSky
from monitor.report.baseline import SkyTold, skies_told
from monitor.report.baseline_page import sky_alt
from monitor.report.baseline_words import sky_words
from monitor.report.board.sheet import Picture, SkyWords
from monitor.report.templating import capitalize_first

PICTURES = 4  # of skies, on one page
SkyDrawing = SkyTold


def skies_of(
    site: Site, skies: Mapping[str, LearnedSky], until: date | None
) -> tuple[tuple[SkyWords, ...], dict[str, SkyDrawing]]:
    """Words on each sky of strings and inverters, and what the pictures of those with anything in them need."""
    maps = {subject: sky.sky_map for subject, sky in skies.items() if not subject.startswith("module:")}
    told: list[SkyWords] = []
    drawn: dict[str, SkyDrawing] = {}
    for sky in skies_told(site, maps, until or site.site.commissioned):
        picture = None
        if sky.obstructions and len(drawn) < PICTURES:
            learned = skies[sky.subject]
            name = f"{site.id}.sky-{sky.subject.replace(':', '-')}.png"
            key = f"{learned.epoch} {learned.learned_until} {sky.view.facing_deg} {sky.view.latitude}"
            picture = Picture(name, sky_alt(sky), key)
            drawn[name] = sky
        told.append(SkyWords(capitalize_first(sky.words), tuple(sky_words(sky)), picture))
    return tuple(told), drawn
