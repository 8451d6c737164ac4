"""Writing the board: what is due of its folder, from what the store knows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

from ingest.errors import AftercareError
from monitor.config import Fleet
from monitor.jobs.board_due import Stand, is_due, key_of, read_stands
from monitor.jobs.board_sheets import read_known
from monitor.jobs.work import ShouldStop, Tell, never, silent
from monitor.report.board.folder import BoardFolder, board_folder_taken
from monitor.report.board.front import front_pages, in_order, index_pieces
from monitor.report.board.page import SITES, common_files, page_path, program_hash, site_charts, site_page
from monitor.report.board.pictures import draw
from monitor.report.board.sheet import GROUPS, Front, Line, Picture, SiteSheet
from monitor.report.board.site import Known, site_sheet
from monitor.store import Store

FOLDER = "board"
SAVED = 1_000  # sites after which it is noted how far the writing is
AT_ONCE = 100  # sites read and written together


@dataclass(frozen=True, slots=True)
class BoardReport:
    """What a writing did; `stopped` when it was told to end before its time, and the rest is left to the next one."""

    sites: int = 0
    pages: int = 0  # of sites, written anew
    written: int = 0  # files
    removed: int = 0
    failed: tuple[str, ...] = ()  # a sentence a site whose page could not be made
    stopped: bool = False


def write_board(
    fleet: Fleet, store: Store, folder: Path, *, should_stop: ShouldStop = never, progress: Tell = silent
) -> BoardReport | None:
    """Bring the folder up to date; None where no night of the fleet was assessed yet."""
    stands = read_stands(fleet, store)
    as_of = max((stand.night for stand in stands if stand.night is not None), default=None)
    if as_of is None:
        return None
    with board_folder_taken(folder) as out:
        return _bring_up_to_date(fleet, store, out, stands, as_of, should_stop, progress)


def _bring_up_to_date(
    fleet: Fleet, store: Store, out: BoardFolder, stands: Sequence[Stand], as_of: date, should_stop: ShouldStop,
    progress: Tell,
) -> BoardReport:  # fmt: skip
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
