"""Reads a fleet folder: every mistake of every file in one go."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from ingest.errors import ConfigurationError
from monitor.config.faults import sentences
from monitor.config.models import Fleet, FleetFile, Site

M = TypeVar("M", bound=BaseModel)
_LAYOUT_KEYS = ("time", "text", "columns", "long", "across", "registers", "map", "model")


def load_fleet(folder: Path) -> Fleet:
    """Load a fleet folder.

    A wrong `fleet.toml` raises ConfigurationError with the mistakes of all files. Wrong site files are left out, and
    their mistakes stand in `Fleet.faults`, so that the other sites go on.
    """
    if not (folder / "fleet.toml").is_file():
        raise ConfigurationError([f"{folder}: no fleet.toml in this folder; expected a fleet folder"])
    settings, faults = _load(folder, "fleet.toml", FleetFile)
    sites: list[Site] = []
    for path in sorted((folder / "sites").glob("*.toml")):
        site, site_faults = _load(folder, f"sites/{path.name}", Site)
        if site is not None and site.id != path.stem:
            site_faults.append(f"sites/{path.name}: site.id = {site.id!r}: expected the file's name, {path.stem!r}")
        if site is not None and not site_faults:
            sites.append(site)
        faults += site_faults
    if settings is None:
        raise ConfigurationError(faults)
    if not sites and not faults:
        faults.append("sites: no site files; expected at least one sites/ID.toml")
    return Fleet(folder=folder, settings=settings, sites=tuple(sites), faults=tuple(faults))


def _load(folder: Path, name: str, model: type[M]) -> tuple[M | None, list[str]]:
    raw, faults = _read(folder, name)
    if raw is None:
        return None, faults
    if model is Site:
        faults += _lay_out(folder, name, raw)
        if faults:
            return None, faults
    try:
        return model.model_validate(raw), []
    except ValidationError as error:
        return None, sentences(name, error, model)


def _read(folder: Path, name: str) -> tuple[dict[str, Any] | None, list[str]]:
    try:
        return tomllib.loads((folder / name).read_text("utf-8-sig")), []
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        return None, [f"{name}: not a TOML file: {error}"]
    except OSError as error:
        return None, [f"{name}: cannot be read: {error.strerror}"]


def _lay_out(folder: Path, name: str, raw: dict[str, Any]) -> list[str]:
    """Replace `layout = FILE` in the sources by what the layout file says."""
    faults: list[str] = []
    sources = raw.get("source", [])
    for i, source in enumerate(sources if isinstance(sources, list) else []):
        if not isinstance(source, dict) or "layout" not in source:
            continue
        key, given = f"{name}: source[{i}].layout", source.pop("layout")
        path = (folder / str(given)).resolve()
        if not path.is_relative_to(folder.resolve()) or not path.is_file():
            faults.append(f"{key} = {given!r}: expected a file of this fleet folder, such as layouts/NAME.toml")
            continue
        both = sorted(source.keys() & set(_LAYOUT_KEYS))
        if both:
            faults.append(f"{key} = {given!r}: expected no {' or '.join(both)} beside layout")
        layout, layout_faults = _read(folder, str(given))
        faults += layout_faults
        unknown = sorted((layout or {}).keys() - set(_LAYOUT_KEYS))
        faults += [f"{given}: {key}: unknown key; known here: {', '.join(_LAYOUT_KEYS)}" for key in unknown]
        source.update(layout or {})
    return faults
