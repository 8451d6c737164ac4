"""A drafted source for a file of a site, tried on the file it was drafted from."""

from __future__ import annotations

import tomllib
from pathlib import PurePosixPath
from typing import Any

import numpy as np
from pydantic import TypeAdapter, ValidationError

from ingest.draft.draft import Question, draft_source
from ingest.draft.proposal import Draft, Roof
from ingest.errors import ConfigurationError
from ingest.readings import Seconds, Values
from ingest.sources import FileSource, RegisterSource, Source, TableSource
from monitor.config import Fleet, Site
from monitor.jobs.reading import believable
from monitor.jobs.sample_file import SampleFile
from monitor.model.sun import sun_position

_DAY_S = 86_400


def site_for(fleet: Fleet, file: SampleFile, site_id: str | None) -> tuple[Site | None, str]:
    """The site that a file is drafted for, and how it is known; None when nothing tells."""
    if site_id is not None:
        return fleet.site(site_id), "asked for"
    named = [site for site in fleet.sites if site.id in PurePosixPath(file.name).parts[:-1]]
    if len(named) == 1:
        return named[0], "a folder of the file's path has its name"
    if len(fleet.sites) == 1:
        return fleet.sites[0], "the only site"
    return None, "no folder of the file's path has a site's name"


def draft_for(file: SampleFile, site: Site | None, *, now: int) -> Draft:
    """Draft a source; InputError when no table is found in the file."""
    roof = roof_of(site) if site is not None else None
    return draft_source(file.head(), Question(file.name, file.inside, roof, now + _DAY_S))


def try_draft(file: SampleFile, draft: Draft, site: Site | None, *, now: int) -> str:
    """What the draft reads of the file as it stands, in a sentence."""
    try:
        source = parse_draft(draft)
    except ConfigurationError as error:
        return f"as it stands the draft reads nothing: {', '.join(error.faults)}"
    if site is None:
        return "the lines that stand are complete"
    result = file.read(source, believable(site, now))
    readings = sum(np.count_nonzero(~np.isnan(values)) for table in result.tables for values in table.columns.values())
    return f"the lines that stand read {result.rows:,} rows, {readings:,} readings; {len(result.rejects)} set aside"


def parse_draft(draft: Draft) -> FileSource:
    """The draft as a source; ConfigurationError with the keys that are still open."""
    try:
        source: Source = TypeAdapter(Source).validate_python(tomllib.loads(draft.toml)["source"][0])
    except ValidationError as error:
        raise ConfigurationError([_told(dict(detail)) for detail in error.errors()]) from None
    assert isinstance(source, TableSource | RegisterSource)  # no draft is of a device or a service
    return source


def _told(detail: dict[str, Any]) -> str:
    """The key, after the kind that the library names first, and what is said of it."""
    key = ".".join(str(part) for part in detail["loc"][1:])
    said = str(detail["msg"]).removeprefix("Value error, ")
    said = "missing" if detail["type"] == "missing" else said
    return f"{key}: {said}" if key else said


def roof_of(site: Site) -> Roof:
    """What a draft needs to know of a site."""
    place = site.site

    def elevation(times: Seconds) -> Values:
        sun = sun_position(times, latitude=place.latitude, longitude=place.longitude, altitude_m=place.altitude_m)
        return sun.elevation_deg

    return Roof(
        site=site.id,
        zone=place.timezone,
        elevation=elevation,
        strings={s.id: s.rated_w for s in site.string},
        inverters={i.id: sum(s.rated_w for s in site.strings_of(i.id)) for i in site.inverter},
        meters={m.id: m.role for m in site.meter},
        parts=frozenset(p for p in ("battery", "diverter", "charger") if getattr(site, p) is not None),
        sources=frozenset(s.id for s in site.source),
    )
