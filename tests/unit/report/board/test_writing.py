"""What is written, what is left alone, what is deleted, and what is refused."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from ingest.errors import ConfigurationError
from ingest.readings import Channel, Table
from monitor.config.models import BoardSection, Fleet, Site
from monitor.detect.finding import Finding
from monitor.jobs import board as writing
from monitor.jobs.board import BoardReport, write_board
from monitor.jobs.board_due import REST_DAYS, is_due, read_stands
from monitor.jobs.schedule import JobFailed, run_job
from monitor.report.board.folder import JOURNAL, MANIFEST, BoardUnwritten, board_folder_taken
from monitor.store import Store
from monitor.store.assessed import assessed_until, set_assessed
from monitor.store.daily import DailyRow, write_daily
from monitor.store.findings import save_findings
from monitor.store.memory import MemoryPart, write_memory
from monitor.store.readings import merge_tables

AS_OF = date(2026, 8, 31)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "board"


def write(fleet: Fleet, store: Store, folder: Path) -> BoardReport:
    report = write_board(fleet, store, folder)
    assert report is not None
    return report


def stamps(folder: Path) -> dict[str, tuple[int, int]]:
    """Every file with what changes when it is written."""
    files = (path for path in folder.rglob("*") if path.is_file())
    return {str(p.relative_to(folder)): (p.stat().st_mtime_ns, p.stat().st_ino) for p in files}


def changed(before: dict[str, tuple[int, int]], folder: Path) -> set[str]:
    now = stamps(folder)
    return {name for name in before.keys() | now.keys() if before.get(name) != now.get(name)}


def sleep_on(store: Store, site: str, night: date) -> None:
    """One more night of a home."""
    row = {"expected_kwh": 10.0, "expected_low_kwh": 9.0, "expected_high_kwh": 11.0, "usable": 1.0}
    with store.write() as conn:
        write_daily(conn, [DailyRow(site=site, subject="site", day=night, measured_kwh=9.5, **row)])  # type: ignore[arg-type]
        noon = np.array([(night - date(1970, 1, 1)).days * 86_400 + 43_200], np.int64)
        column = {Channel("inverter:inv1", "ac_power", "mean", "W"): np.array([1000.0])}
        merge_tables(conn, site=site, source="log", tables=[Table(noon, column)], now=1)
        set_assessed(conn, site, night)


def test_a_second_writing_touches_nothing(fleet: Fleet, store: Store, folder: Path) -> None:
    first = write(fleet, store, folder)
    before = stamps(folder)
    assert (first.pages, first.written) == (5, len(before) - 1)  # all but the manifest
    second = write(fleet, store, folder)
    assert (second.pages, second.written, second.removed) == (0, 0, 0)
    assert changed(before, folder) == set()
    assert {MANIFEST, "index.html", "sites/ash.html"} <= before.keys()
    assert JOURNAL not in before


def test_only_what_changed_is_written(
    fleet: Fleet, store: Store, folder: Path, make_finding: Callable[..., Finding]
) -> None:
    write(fleet, store, folder)
    before = stamps(folder)
    with store.write() as conn:
        save_findings(conn, [make_finding(id="out", site="yew", subject="inverter:inv1", cause="inverter_outage")])
    assert write(fleet, store, folder).pages == 1
    names = changed(before, folder)
    assert {"index.html", "sites/yew.html", "lines-1.js", MANIFEST} <= names
    assert {name for name in names if name.startswith("sites/")} <= {
        name for name in stamps(folder) if name.startswith("sites/yew.")
    }


def test_a_changed_name_is_told_at_once(fleet: Fleet, store: Store, folder: Path) -> None:
    write(fleet, store, folder)
    yew = fleet.site("yew")
    renamed = yew.model_copy(update={"site": yew.site.model_copy(update={"name": "Yew Tree Barn"})})
    write(replace(fleet, sites=(*(s for s in fleet.sites if s.id != "yew"), renamed)), store, folder)
    assert "Yew Tree Barn" in (folder / "index.html").read_text()


def test_a_site_that_left_goes_and_what_is_not_ours_stays(fleet: Fleet, store: Store, folder: Path) -> None:
    write(fleet, store, folder)
    note = folder / "sites" / "our-notes.txt"
    note.write_text("keep me")
    rest = replace(fleet, sites=tuple(site for site in fleet.sites if site.id != "elm"))
    report = write(rest, store, folder)
    assert [p.name for p in (folder / "sites").glob("elm*")] == []
    assert report.removed >= 3
    assert note.read_text() == "keep me"
    assert "elm" not in (folder / "index.html").read_text()


def test_a_quiet_site_rests_for_a_week_and_one_in_trouble_does_not(fleet: Fleet, store: Store, folder: Path) -> None:
    write(fleet, store, folder)
    told = []
    for n in range(1, 2 * REST_DAYS + 1):
        night = AS_OF + timedelta(days=n)
        sleep_on(store, "yew", night)
        sleep_on(store, "oak", night)
        before = stamps(folder)
        write(fleet, store, folder)
        names = changed(before, folder)
        assert "sites/oak.html" in names
        if "sites/yew.html" in names:
            told.append(n)
            assert "Figures up to" in (folder / "sites" / "yew.html").read_text()
    # No longer than a week between two writings, and then on the same day of every week.
    assert told[0] <= REST_DAYS
    assert [b - a for a, b in zip(told, told[1:], strict=False)] == [REST_DAYS] * (len(told) - 1)


def test_what_changed_in_a_night_that_was_told_is_told_again(fleet: Fleet, store: Store, folder: Path) -> None:
    write(fleet, store, folder)
    with store.write() as conn:
        write_memory(conn, [MemoryPart(site="yew", part=1, until=AS_OF, first=True, data=b"other days")])
    stands = {stand.site.id: stand for stand in read_stands(fleet, store)}
    note = json.loads((folder / MANIFEST).read_text())["sites"]["yew"]
    assert is_due(stands["yew"], note["key"], note)


def test_a_lost_file_is_written_again(fleet: Fleet, store: Store, folder: Path) -> None:
    write(fleet, store, folder)
    (folder / "sites" / "yew.days.svg").unlink()
    (folder / "board.css").unlink()
    assert write(fleet, store, folder).written == 2


@pytest.mark.parametrize("name", ["notes.txt", "index.html"])
def test_a_folder_with_other_things_is_refused(fleet: Fleet, store: Store, folder: Path, name: str) -> None:
    folder.mkdir()
    (folder / name).write_text("somebody's own")
    with pytest.raises(ConfigurationError, match="holds other things; expected a new or empty folder, or one with a"):
        write_board(fleet, store, folder)
    assert (folder / name).read_text() == "somebody's own"
    assert [p.name for p in folder.iterdir()] == [name]


def test_two_writers_do_not_meet(fleet: Fleet, store: Store, folder: Path) -> None:
    with (
        board_folder_taken(folder),
        pytest.raises(BoardUnwritten, match="board: another writing of the board is at work there; expected one at a"),
    ):
        write_board(fleet, store, folder)
    assert write(fleet, store, folder).pages == 5


def test_a_file_is_no_folder(fleet: Fleet, store: Store, folder: Path) -> None:
    folder.write_text("")
    with pytest.raises(ConfigurationError, match="board: is a file; expected a folder for the board"):
        write_board(fleet, store, folder)


def test_a_file_of_somebody_else_in_our_place_is_not_overwritten(fleet: Fleet, store: Store, folder: Path) -> None:
    fewer = replace(fleet, sites=fleet.sites[1:])
    write(fewer, store, folder)
    own = folder / "sites" / "ash.html"
    own.write_text("somebody's own")
    with pytest.raises(ConfigurationError, match=r"ash.html: is not the board's own; expected nothing of that name"):
        write_board(fleet, store, folder)
    assert own.read_text() == "somebody's own"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "is damaged; delete the folder and write the board anew"),
        ("[]", "is not the manifest of a board that this version knows"),
        ('{"schema": 2, "files": {}, "sites": {}}', "is not the manifest of a board that this version knows"),
        (
            '{"schema": 1, "files": {"../precious.html": ""}, "sites": {}}',
            "names '../precious.html', which is no file of a board",
        ),
    ],
)
def test_a_manifest_that_is_not_ours_deletes_nothing(
    fleet: Fleet, store: Store, folder: Path, text: str, message: str
) -> None:
    precious = folder.parent / "precious.html"
    precious.write_text("precious")
    folder.mkdir()
    (folder / MANIFEST).write_text(text)
    with pytest.raises(ConfigurationError, match=message):
        write_board(fleet, store, folder)
    assert precious.read_text() == "precious"


def test_a_full_disk_is_told_and_the_next_writing_completes_it(
    fleet: Fleet, store: Store, folder: Path, monkeypatch: pytest.MonkeyPatch, make_finding: Callable[..., Finding]
) -> None:
    write(fleet, store, folder)
    old = (folder / "index.html").read_text()
    with store.write() as conn:
        save_findings(conn, [make_finding(id="out", site="yew", subject="inverter:inv1", cause="inverter_outage")])
    real, left = Path.write_bytes, [1]

    def fill(path: Path, data: bytes) -> int:
        left[0] -= 1
        if left[0] < 0:
            real(path, data[: len(data) // 2])
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(path, data)

    monkeypatch.setattr(Path, "write_bytes", fill)
    with pytest.raises(BoardUnwritten, match="the board could not be written: No space left on device; what was there"):
        write_board(fleet, store, folder)
    monkeypatch.setattr(Path, "write_bytes", real)
    assert (folder / "index.html").read_text() == old
    assert list(folder.rglob("*.part")) == []
    write(fleet, store, folder)
    fresh = folder.with_name("fresh")
    write(fleet, store, fresh)
    assert contents(folder) == contents(fresh)


@pytest.mark.parametrize("at", [1, 4, 11, 19])
def test_a_writing_that_is_killed_is_completed_by_the_next(
    fleet: Fleet, store: Store, folder: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    real, count = os.replace, [0]

    class Killed(BaseException):
        pass

    def die(source: Path, target: Path) -> None:
        count[0] += 1
        if count[0] == at:
            raise Killed
        real(source, target)

    monkeypatch.setattr(os, "replace", die)
    with pytest.raises(Killed):
        write_board(fleet, store, folder)
    monkeypatch.setattr(os, "replace", real)
    for page in folder.rglob("*.html"):
        assert page.read_text().endswith("</html>\n") or page.read_text().endswith("</html>")
    write(fleet, store, folder)
    fresh = folder.with_name("fresh")
    write(fleet, store, fresh)
    assert contents(folder) == contents(fresh)


def contents(folder: Path) -> dict[str, bytes]:
    files = (path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): path.read_bytes() for path in files if path.suffix != ".part"}


def test_a_home_whose_page_fails_leaves_the_others_going(
    fleet: Fleet, store: Store, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = writing.site_sheet

    def stumble(known):  # type: ignore[no-untyped-def]
        if known.site.id == "oak":
            raise ZeroDivisionError("division by zero")
        return real(known)

    monkeypatch.setattr(writing, "site_sheet", stumble)
    report = write(fleet, store, folder)
    sentence = "oak: its page could not be written: ZeroDivisionError: division by zero"
    assert report.failed == (sentence,)
    assert sentence in (folder / "index.html").read_text()
    assert not (folder / "sites" / "oak.html").exists()
    monkeypatch.setattr(writing, "site_sheet", real)
    assert write(fleet, store, folder).pages == 1
    assert (folder / "sites" / "oak.html").exists()


def test_a_writing_that_is_told_to_stop_goes_on_where_it_was(
    fleet: Fleet, store: Store, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writing, "AT_ONCE", 2)
    answers = iter([False, True])
    report = write_board(fleet, store, folder, should_stop=lambda: next(answers))
    assert report is not None
    assert (report.stopped, report.pages) == (True, 2)
    assert write(fleet, store, folder).pages == 3


def test_without_a_night_there_is_nothing_to_write(
    store: Store, fleet: Fleet, folder: Path, make_home: Callable[..., Site]
) -> None:
    assert write_board(replace(fleet, sites=(make_home("new"),)), store, folder) is None
    assert not folder.exists()


def with_board(fleet: Fleet, name: str | None) -> Fleet:
    section = None if name is None else BoardSection(folder=name)
    return replace(fleet, settings=fleet.settings.model_copy(update={"board": section}))


def test_the_daemon_writes_it_after_the_nights_where_it_is_asked_to(fleet: Fleet, store: Store) -> None:
    now = int((AS_OF - date(1970, 1, 1)).total_seconds()) + 36 * 3600
    for name in (None, "pages"):
        run_job("assess", with_board(fleet, name), store, lambda: now, should_stop=lambda: False)
        assert (fleet.folder / "pages" / "index.html").exists() == (name is not None)
    assert not (fleet.folder / "board").exists()


def test_a_board_that_cannot_be_written_takes_no_night_back(fleet: Fleet, store: Store) -> None:
    now = int((AS_OF - date(1970, 1, 1)).total_seconds()) + 60 * 3600
    (fleet.folder / "pages").mkdir()
    (fleet.folder / "pages" / "notes.txt").write_text("")
    with pytest.raises(JobFailed, match="1 nights, 5 site-nights, assessed until 2026-09-01.*holds other things"):
        run_job("assess", with_board(fleet, "pages"), store, lambda: now, should_stop=lambda: False)
    with store.read() as conn:
        assert assessed_until(conn, "yew") == AS_OF + timedelta(days=1)
