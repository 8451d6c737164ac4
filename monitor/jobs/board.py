"""Writing the board: which sites' pages have to be written anew, and all of the folder from what the store knows."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

from ingest.errors import AftercareError
from monitor.config import Fleet, Site
from monitor.detect.finding import Finding
from monitor.jobs.board_sheets import read_known
from monitor.jobs.work import ShouldStop, Tell, never, silent
from monitor.report.board.folder import BoardFolder
from monitor.report.board.front import front_pages, in_order, index_pieces
from monitor.report.board.lines import group_of, troubles
from monitor.report.board.page import SITES, common_files, page_path, program_hash, site_charts, site_page
from monitor.report.board.pictures import draw
from monitor.report.board.sheet import GROUPS, Front, Line, Picture, SiteSheet
from monitor.report.board.site import Known, site_sheet
from monitor.store import Store
from monitor.store.assessed import assessed_sites
from monitor.store.memory import memory_sizes
from monitor.store.readings import last_recorded
from monitor.store.rulings import told_findings_of

FOLDER = "board"
SAVED = 1_000  # sites after which it is noted how far the writing is
AT_ONCE = 100  # sites read and written together
QUIET_DAYS = 2  # days without readings of a home, after which it is silent
# A quiet site's page follows its nights once in so many days; whatever happens there is written at once.
REST_DAYS = 7
_EPOCH = date(1970, 1, 1).toordinal()


@dataclass(frozen=True, slots=True)
class BoardReport:
    """What a writing did; `stopped` when it was told to end before its time, and the rest is left to the next one."""

    sites: int = 0
    pages: int = 0  # of sites, written anew
    written: int = 0  # files
    removed: int = 0
    failed: tuple[str, ...] = ()  # a sentence a site whose page could not be made
    stopped: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """What decides whether a site's page is written anew."""

    site: Site
    night: date | None
    findings: Sequence[Finding]
    last_days: Mapping[str, date]
    is_heard: bool
    size: int  # of what is remembered of it


def write_board(
    fleet: Fleet, store: Store, folder: Path, *, should_stop: ShouldStop = never, progress: Tell = silent
) -> BoardReport | None:
    """Bring the folder up to date; None where no night of the fleet was assessed yet."""
    stands = read_stands(fleet, store)
    as_of = max((stand.night for stand in stands if stand.night is not None), default=None)
    if as_of is None:
        return None
    out = BoardFolder.open(folder)
    notes: dict[str, Any] = {}
    failed: list[str] = []
    due: list[tuple[Stand, str]] = []
    for stand in stands:
        before, key = out.sites.get(stand.site.id), key_of(stand, fleet)
        if before is not None and not is_due(stand, key, before) and all(out.has(name) for name in before["files"]):
            notes[stand.site.id] = before
            for name in before["files"]:
                out.keep(name)
        else:
            due.append((stand, key))
    for at in range(0, len(due), AT_ONCE):
        if at and at % SAVED == 0:
            out.save(notes)
        if should_stop():
            out.save(notes)
            return BoardReport(len(stands), at, out.written, failed=tuple(failed), stopped=True)
        failed += _write_sites(fleet, store, out, due[at : at + AT_ONCE], notes)
        progress(f"{min(at + AT_ONCE, len(due))} of {len(due)} sites' pages")
    front = _front(fleet, notes, as_of, (*fleet.faults, *failed))
    for name, text in (*common_files(), *front_pages(front), *index_pieces(front)):
        out.put(name, text)
    out.finish(notes)
    return BoardReport(len(stands), len(due), out.written, out.removed, tuple(failed))


def board_folder(fleet: Fleet) -> Path:
    """Where the board of a fleet is written unless it is said otherwise."""
    section = fleet.settings.board
    return fleet.folder / (section.folder if section is not None else FOLDER)


def summary(report: BoardReport) -> str:
    """One line about a writing."""
    stopped = "; told to stop before the end" if report.stopped else ""
    return (
        f"board of {report.sites} sites: {report.pages} sites' pages due, {report.written} files written, "
        f"{report.removed} removed{stopped}"
    )


def read_stands(fleet: Fleet, store: Store) -> list[Stand]:
    """How every site of the fleet stands, read at once."""
    ids = [site.id for site in fleet.sites]
    with store.read() as conn:
        nights = assessed_sites(conn)
        findings = told_findings_of(conn, ids)
        recorded = last_recorded(conn, ids)
        sizes = memory_sizes(conn, ids)
    as_of = max((nights[one] for one in ids if one in nights), default=date.min)
    found = []
    for site in fleet.sites:
        days = {name: date.fromordinal(_EPOCH + day) for name, day in recorded[site.id].items()}
        own = [day for name, day in days.items() if name not in site.services]
        is_heard = bool(own) and (as_of - max(own)).days < QUIET_DAYS
        found.append(
            Stand(
                site=site, night=nights.get(site.id), findings=findings.get(site.id, []), last_days=days,
                is_heard=is_heard, size=sizes.get(site.id, 0),
            )
        )  # fmt: skip
    return found


def key_of(stand: Stand, fleet: Fleet) -> str:
    """Changes with all that has to be told at once; a quiet site's next night is none of it."""
    standing = troubles(stand.findings)
    told = [
        asdict(f) if f in standing or f.state == "cleared" else (f.id, f.cause, f.subject, f.since.isoformat())
        for f in stand.findings
    ]
    parts = [
        program_hash(),
        fleet.settings.fleet.model_dump_json(),
        stand.site.model_dump_json(),
        group_of(stand.findings, is_heard=stand.is_heard),
        told,
        str(stand.night) if standing else "",
        sorted((name, str(day)) for name, day in stand.last_days.items()) if not stand.is_heard else "",
    ]
    return hashlib.sha256(json.dumps(parts, default=str).encode()).hexdigest()[:32]


def is_due(stand: Stand, key: str, before: Mapping[str, Any]) -> bool:
    """Whether a site's page has to be written anew, by what was noted when it was written last."""
    if key != before["key"] or stand.night is None:
        return bool(key != before["key"])
    if str(stand.night) == before["night"]:
        return bool(stand.size != before["size"])
    age = (stand.night - date.fromisoformat(before["night"])).days if before["night"] != "None" else REST_DAYS
    # Each site has its own day of the week, so that not all of them are due in one night.
    its_day = stand.night.toordinal() % REST_DAYS == zlib.crc32(stand.site.id.encode()) % REST_DAYS
    return its_day or not 0 <= age < REST_DAYS


def _write_sites(
    fleet: Fleet, store: Store, out: BoardFolder, due: Sequence[tuple[Stand, str]], notes: dict[str, Any]
) -> list[str]:
    """Write the pages of some sites; sentences about those whose page could not be made."""
    known = read_known(fleet, store, [stand for stand, _ in due])
    failed = []
    for stand, key in due:
        name = stand.site.id
        try:
            notes[name] = _write_site(out, known[name], fleet.settings.fleet.name) | {
                "key": key, "night": str(stand.night), "size": stand.size,
            }  # fmt: skip
        except AftercareError:
            raise
        except Exception as error:  # one home's page must not stop the others'
            failed.append(f"{name}: its page could not be written: {type(error).__name__}: {error}")
            before = out.sites.get(name)
            if before is not None and all(out.has(file) for file in before["files"]):
                notes[name] = before | {"key": ""}
                for file in before["files"]:
                    out.keep(file)
    return failed


def _write_site(out: BoardFolder, known: Known, fleet: str) -> dict[str, Any]:
    """Write a site's page with its pictures; what is noted of it."""
    sheet, drawings = site_sheet(known)
    before = out.sites.get(sheet.line.id, {}).get("pictures", {})
    drawn = {f"{SITES}/{picture.file}": picture.key + program_hash() for picture in _pictures(sheet)}
    for name, key in drawn.items():
        if before.get(name) == key and out.has(name):
            out.keep(name)
        else:
            out.put(name, draw(drawings, name.removeprefix(f"{SITES}/")))
    charts = {f"{SITES}/{name}": svg for name, svg in site_charts(sheet)}
    page = page_path(sheet.line.id)
    for name, text in (*charts.items(), (page, site_page(sheet, fleet))):
        out.put(name, text)
    return {"line": asdict(sheet.line), "pictures": drawn, "files": [page, *charts, *drawn]}


def _pictures(sheet: SiteSheet) -> list[Picture]:
    entries = (*sheet.open, *sheet.notes, *sheet.past)
    found = [*(e.picture for e in entries), *(sky.picture for sky in sheet.skies)]
    return [picture for picture in found if picture is not None]


def _front(fleet: Fleet, notes: Mapping[str, Any], as_of: date, faults: tuple[str, ...]) -> Front:
    lines = in_order([_line(note["line"]) for note in notes.values()])
    return Front(
        fleet=fleet.settings.fleet.name,
        as_of=as_of,
        lines=lines,
        counts={group: sum(line.group == group for line in lines) for group in GROUPS},
        faults=faults,
    )


def _line(noted: Mapping[str, Any]) -> Line:
    return Line(**{**noted, "order": tuple(noted["order"])})
