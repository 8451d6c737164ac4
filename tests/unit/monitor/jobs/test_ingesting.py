"""Passes of ingest over a folder that changes: nothing is lost, nothing counts twice, nothing is opened in vain."""

from __future__ import annotations

import gzip
import io
import itertools
import os
import random
import shutil
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from ingest import arrivals, contents, pieces
from monitor.config import load_fleet
from monitor.jobs import queues, taking
from monitor.jobs.ingest_report import IngestReport, remarks_told
from monitor.jobs.ingesting import ingest_fleet
from monitor.store import Store, schema
from monitor.store.ledger import list_files, list_rejects

DAY = 86_400
FIRST = datetime(2025, 6, 10, tzinfo=UTC)
NOON = int(datetime(2025, 6, 20, 12, tzinfo=UTC).timestamp())

FLEET = '[fleet]\nname = "Small"\ntimezone = "UTC"\n'
SITE = """[site]
id = "yard"
name = "Yard"
latitude = 52.0
longitude = -1.0
timezone = "UTC"
commissioned = 2025-06-10
[[plane]]
id = "south"
tilt_deg = 35
azimuth_deg = 180
[[inverter]]
id = "inv1"
rated_ac_w = 5000
[[string]]
id = "s1"
inverter = "inv1"
plane = "south"
modules = 2
module = { pmp_w = 400, vmp_v = 31.0, imp_a = 12.9, voc_v = 37.2, isc_a = 13.7, gamma_pmp_pct_per_c = -0.34 }
"""
SOURCE = """[[source]]
id = "{id}"
kind = "table"
files = "incoming/{files}"
interval_minutes = 60
time = {{ column = "t", zone = "UTC" }}
columns = [ {{ column = "p", quantity = "ac_power", of = "inverter:inv1", unit = "W" }} ]
"""
MODULES = """[[source]]
id = "modules"
kind = "table"
files = "incoming/m*"
interval_minutes = 60
time = { column = "t", zone = "UTC" }
long = { subject = "m", value = "p", quantity = "dc_power", unit = "W" }
"""


@dataclass
class Yard:
    """A fleet folder with its store, and a clock that stands."""

    folder: Path
    store: Store
    now: int = NOON

    def put(self, name: str, data: str | bytes, *, age: int = 3600) -> Path:
        """Write a file that was modified some time ago."""
        path = self.folder / "incoming" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data.encode() if isinstance(data, str) else data)
        os.utime(path, (self.now - age, self.now - age))
        return path

    def configure(self, *sources: str, site: str = SITE) -> None:
        """Write the site file."""
        (self.folder / "sites/yard.toml").write_text(site + "".join(sources))

    def ingest(self, **options: object) -> IngestReport:
        """One pass."""
        fleet = load_fleet(self.folder)
        assert fleet.faults == ()
        return ingest_fleet(fleet, self.store, now=self.now, **options)  # type: ignore[arg-type]

    def blocks(self) -> dict[tuple[str, int], bytes]:
        """Every day block as it is stored, by source and day."""
        query = select(schema.source.c.name, schema.block.c.day, schema.block.c.data).join_from(
            schema.source, schema.block
        )
        with self.store.read() as conn:
            return {(name, day): data for name, day, data in conn.execute(query)}

    def rejects(self) -> list[tuple[str, int | None, str]]:
        """What is set aside now."""
        with self.store.read() as conn:
            return [(k.reject.file, k.reject.line, k.reject.reason) for k in list_rejects(conn)]

    def states(self) -> dict[str, str]:
        """State of every file."""
        with self.store.read() as conn:
            return {f.path: f.state for f in list_files(conn)}


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("ready")
    Store.open("sqlite:///aftercare.db", folder).close()
    return folder / "aftercare.db"


@pytest.fixture
def make_yard(tmp_path: Path, ready: Path) -> Iterator[Callable[[str], Yard]]:
    yards: list[Yard] = []

    def make(name: str) -> Yard:
        folder = tmp_path / name
        (folder / "sites").mkdir(parents=True)
        (folder / "fleet.toml").write_text(FLEET)
        shutil.copy(ready, folder / "aftercare.db")
        yards.append(Yard(folder, Store.open("sqlite:///aftercare.db", folder)))
        yards[-1].configure(SOURCE.format(id="log", files="*.*"))
        return yards[-1]

    yield make
    for yard in yards:
        yard.store.close()


@pytest.fixture
def yard(make_yard: Callable[[str], Yard]) -> Yard:
    return make_yard("yard")


def table(first: int, count: int, value: float | None = None) -> str:
    """Hourly rows from the hour `first` of the site's life on."""
    rows = [
        f"{FIRST + timedelta(hours=first + n):%Y-%m-%dT%H:%M:%SZ},{first + n if value is None else value}\n"
        for n in range(count)
    ]
    return "t,p\n" + "".join(rows)


def zipped(members: dict[str, str]) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return file.getvalue()


def test_a_file_cut_at_any_byte_and_completed_later_is_the_whole_file(yard: Yard) -> None:
    text = table(23, 2)  # over midnight
    cuts = range(len(text))
    yard.configure(*(SOURCE.format(id=f"cut{n:03d}", files=f"{n}/*.csv") for n in [*cuts, len(text)]))
    for n in cuts:
        yard.put(f"{n}/x.csv", text[:n])
    first = yard.ingest()
    assert first.files_taken + first.files_refused == len(cuts)
    assert first.set_aside > 0
    for n in [*cuts, len(text)]:
        yard.put(f"{n}/x.csv", text)
    second = yard.ingest()
    assert (second.files_taken, second.set_aside, second.readings_replaced) == (len(cuts) + 1, 0, 0)
    assert first.readings_new + second.readings_new == 2 * (len(cuts) + 1)
    assert yard.rejects() == []
    blocks = yard.blocks()
    whole = [data for (name, _), data in sorted(blocks.items()) if name == f"cut{len(text):03d}"]
    assert len(whole) == 2
    assert [data for _, data in sorted(blocks.items())] == whole * (len(cuts) + 1)


def test_a_young_file_that_ends_amid_a_line_waits(yard: Yard) -> None:
    yard.put("done.csv", table(0, 3), age=5)
    yard.put("open.csv", table(3, 3)[:-4], age=5)
    yard.put("half.zip", zipped({"a.csv": table(6, 3)})[:-9], age=5)
    yard.put("half.gz", gzip.compress(table(9, 3).encode())[:-9], age=5)
    first = yard.ingest()
    assert (first.files_taken, first.files_waiting, first.set_aside, first.readings_new) == (1, 3, 0, 3)
    yard.put("open.csv", table(3, 3), age=5)
    yard.put("half.zip", zipped({"a.csv": table(6, 3)}), age=5)
    second = yard.ingest()
    assert (second.files_taken, second.files_known, second.files_waiting, second.set_aside) == (2, 1, 1, 0)
    yard.now += 300  # what stays unfinished does not wait for ever
    third = yard.ingest()
    assert (third.files_refused, third.files_waiting) == (1, 0)
    assert third.reasons == ("incoming/half.gz: a gzip file that was cut off; nothing of it is taken",)


def test_a_file_that_is_asked_for_does_not_wait(yard: Yard) -> None:
    path = yard.put("open.csv", table(0, 3)[:-4], age=5)
    report = yard.ingest(files=[path])
    assert (report.files_taken, report.set_aside, report.readings_new) == (1, 1, 2)


def test_an_unchanged_file_is_not_opened(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[str] = []
    real = queues.look_into

    def look_into(arrival):  # type: ignore[no-untyped-def]
        opened.append(arrival.path)
        return real(arrival)

    def passes() -> tuple[int, int, list[str]]:
        opened.clear()
        report = yard.ingest()
        return report.files_taken, report.files_known, list(opened)

    monkeypatch.setattr(queues, "look_into", look_into)
    every = ["incoming/a.csv", "incoming/b.csv"]
    path = yard.put("a.csv", table(0, 3))
    yard.put("b.csv", table(3, 3))
    changed = int(path.stat().st_ctime)
    yard.now = changed + 1
    assert passes() == (2, 0, every)
    assert passes() == (0, 2, every)  # they had changed so shortly before that a change might not show
    yard.now = changed + 100
    assert passes() == (0, 2, every)
    assert passes() == (0, 2, [])
    yard.put("a.csv", table(0, 3).replace(",2\n", ",9\n"))  # same size and time
    assert passes() == (1, 1, every[:1])
    assert passes() == (0, 2, [])
    os.replace(path, path.with_name("c.csv"))
    assert passes() == (0, 2, ["incoming/c.csv"])  # the content is known
    assert passes() == (0, 2, [])


def test_content_that_comes_back_is_taken_again(yard: Yard) -> None:
    yard.put("a.csv", table(0, 3))
    yard.ingest()
    before = yard.blocks()
    yard.put("a.csv", table(0, 3, 7) + "x,x\n")
    assert yard.ingest().readings_replaced == 3
    yard.put("a.csv", table(0, 3))
    assert yard.ingest().readings_replaced == 3
    assert (yard.blocks(), yard.rejects()) == (before, [])


def test_settings_that_come_back_are_used_again(yard: Yard) -> None:
    yard.put("a.csv", table(0, 3))
    yard.ingest()
    before = yard.blocks()
    plain = SOURCE.format(id="log", files="*.*")
    yard.configure(plain.replace('"p"', '"q"'))
    assert yard.ingest().files_refused == 1
    yard.configure(plain)
    assert yard.ingest().files_taken == 1
    assert (yard.blocks(), yard.rejects()) == (before, [])


def test_files_are_taken_once_the_source_is_mended(yard: Yard) -> None:
    yard.configure(SOURCE.format(id="log", files="*.*").replace('"p"', '"power"'))
    yard.put("a.csv", table(0, 3))
    assert yard.ingest().files_refused == 1
    assert yard.ingest().files_known == 1
    yard.configure(SOURCE.format(id="log", files="*.*"))
    report = yard.ingest()
    assert (report.files_taken, report.readings_new, yard.rejects()) == (1, 3, [])
    assert yard.states() == {"incoming/a.csv": "taken"}


def test_files_are_taken_once_the_site_is_mended(yard: Yard) -> None:
    yard.configure(MODULES)
    stamp = "2025-06-10T12:00:00Z"
    yard.put("m.csv", f"t,m,p\n2025-06-01T12:00:00Z,s1-1,5\n{stamp},s1-2,6\n{stamp},s1-3,7\n")
    assert yard.ingest().readings_new == 1
    reasons = [reason for _, _, reason in yard.rejects()]
    assert reasons == [
        "the site file has no such part; its readings were set aside",
        "1 time lies before 2025-06-09 00:00 UTC, the day before the site was commissioned",
    ]
    assert yard.ingest().files_known == 1
    mended = SITE.replace("modules = 2", "modules = 3").replace("2025-06-10", "2025-06-01")
    yard.configure(MODULES, site=mended)
    report = yard.ingest()
    assert (report.files_taken, report.readings_new, report.readings_same, yard.rejects()) == (1, 2, 1, [])


def test_rows_of_the_future_are_taken_when_their_time_has_come(yard: Yard) -> None:
    yard.put("a.csv", table(24 * 10, 24 * 4))  # 20 June, from midnight of today on
    first = yard.ingest()
    assert (first.readings_new, first.set_aside) == (36, 1)  # until tomorrow noon
    yard.now += 600
    assert yard.ingest().files_known == 1  # though an hour of it could be taken: once a day is enough
    yard.now += DAY - 600
    assert (yard.ingest().readings_new, len(yard.rejects())) == (24, 1)
    yard.now += DAY
    assert (yard.ingest().readings_new, len(yard.rejects())) == (24, 1)
    yard.now += DAY
    assert (yard.ingest().readings_new, yard.rejects()) == (12, [])
    yard.now += DAY
    assert yard.ingest().files_known == 1
    assert sum(len(data) > 0 for data in yard.blocks().values()) == 4


def test_refused_files_that_are_gone_are_forgotten(yard: Yard) -> None:
    good, bad = yard.put("good.csv", table(0, 3)), yard.put("bad.csv", "what is this\n")
    pipe = yard.folder / "incoming/pipe.csv"
    os.mkfifo(pipe)
    assert yard.ingest().files_refused == 2
    assert yard.ingest().files_known == 3
    for path in (good, bad, pipe):
        path.unlink()
    assert yard.ingest(files=[yard.put("other.csv", table(5, 1))]).files_forgotten == 0  # nobody looked for them
    assert yard.ingest().files_forgotten == 2
    assert yard.states() == {"incoming/good.csv": "taken", "incoming/other.csv": "taken"}
    assert yard.rejects() == []
    yard.put("bad.csv", "what is this\n")
    assert yard.ingest().files_refused == 1


def test_a_refused_file_that_is_renamed_is_refused_under_its_new_name(yard: Yard) -> None:
    path = yard.put("a.csv", "what is this\n")
    yard.ingest()
    path.rename(path.with_name("b.csv"))
    report = yard.ingest()
    assert (report.files_forgotten, report.files_refused) == (1, 1)
    assert yard.states() == {"incoming/b.csv": "refused"}


def test_a_file_in_the_place_of_a_refused_entry_stands_there(yard: Yard) -> None:
    path = yard.put("a.csv", table(0, 3))
    yard.ingest()
    path.unlink()
    os.mkfifo(path)
    assert yard.ingest().files_refused == 1
    path.unlink()
    yard.put("a.csv", table(0, 3))
    assert yard.ingest().files_taken == 1
    assert yard.states() == {"incoming/a.csv": "taken"}


def overlapping() -> dict[str, str | bytes]:
    return {
        "a.csv": table(0, 30),
        "b.csv": table(20, 30),
        "c.zip": zipped({"1.csv": table(40, 10), "2.csv": table(5, 60)}),
        "d.gz": gzip.compress(table(60, 20).encode()),
    }


@pytest.mark.parametrize("order", list(itertools.permutations(range(4)))[::3])
def test_any_order_of_files_that_agree_gives_the_same_blocks(
    order: Sequence[int], make_yard: Callable[[str], Yard]
) -> None:
    together, apart, renamed = make_yard("together"), make_yard("apart"), make_yard("renamed")
    files = list(overlapping().items())
    for name, data in files:
        together.put(name, data)
    together.ingest()
    for place, number in enumerate(order):
        name, data = files[number]
        apart.put(name, data)
        assert apart.ingest().readings_replaced == 0
        renamed.put(f"{place}{Path(name).suffix}", data)
    renamed.ingest()
    assert together.blocks() == apart.blocks() == renamed.blocks()
    assert len(together.blocks()) == 4


def test_of_files_that_conflict_the_one_taken_later_wins(yard: Yard) -> None:
    yard.put("b.csv", table(0, 3, 1))
    yard.ingest()
    yard.put("a.csv", table(0, 3, 2))
    yard.put("c.csv", table(2, 3, 3))
    assert yard.ingest().readings_replaced == 4
    wanted = yard.blocks()
    yard.configure(SOURCE.format(id="log", files="*.*"), site=SITE.replace("modules = 2", "modules = 3"))
    report = yard.ingest()  # all of them again, in the order of then: a, which came after b, wins again
    assert (report.files_taken, yard.blocks()) == (3, wanted)


def test_rows_that_repeat_within_a_file_are_told(yard: Yard) -> None:
    lines = table(0, 3).splitlines(keepends=True)
    yard.put("a.csv", "".join([*lines, lines[1], lines[2].replace(",1", ",5"), lines[3]]))
    report = yard.ingest()
    assert (report.readings_new, report.readings_replaced, report.conflicts_within) == (3, 0, 1)
    told = ["incoming/a.csv: 3 rows repeat a time; 1 cells differ, the later row was taken"]
    assert remarks_told(report) == told
    assert remarks_told(yard.ingest()) == []
    with yard.store.read() as conn:
        assert list_files(conn)[0].conflicts == 1


def test_remarks_are_told_once_for_all_files(yard: Yard) -> None:
    twice = table(0, 1) + table(0, 1)[4:]
    yard.put("a.zip", zipped({f"{n:04d}.csv": twice for n in range(200)}))
    report = yard.ingest()
    assert remarks_told(report) == ["incoming/a.zip/0000.csv and 49 more: 1 rows repeat a time"]


def test_remarks_are_bounded(yard: Yard) -> None:
    for n in range(1, 14):
        yard.put(f"{n:02d}.csv", table(0, 20) + "".join(table(0, 20).splitlines(keepends=True)[-n:]))
    told = remarks_told(yard.ingest())
    assert told[:2] == ["incoming/01.csv: 1 rows repeat a time", "incoming/02.csv: 2 rows repeat a time"]
    assert told[10:] == ["and 3 more remarks on files that were taken"]


def test_an_archive_is_one_file_with_its_members_told(yard: Yard) -> None:
    damaged = table(2, 3).replace(",3\n", ",lots\n")
    yard.put("a.zip", zipped({"one.csv": table(0, 3), "sub/two.csv": damaged, "readme": "hello\n"}))
    report = yard.ingest()
    assert (report.files_taken, report.readings_new, report.set_aside) == (1, 4, 2)
    assert [(file, line) for file, line, _ in yard.rejects()] == [
        ("incoming/a.zip/readme", None),
        ("incoming/a.zip/sub/two.csv", 3),
    ]
    assert yard.states() == {"incoming/a.zip": "taken"}
    assert yard.ingest().files_known == 1
    yard.put("a.zip", zipped({"readme": "hello\n"}))
    assert yard.ingest().files_refused == 1
    with yard.store.read() as conn:
        (refused,) = list_files(conn, state="refused")
    assert refused.reason.startswith("readme: no complete header line in the first 50 lines")


@pytest.fixture
def small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sizes at which a table of some thousand rows is a large one."""
    monkeypatch.setattr(contents, "HELD", 1000)
    monkeypatch.setattr(pieces, "PIECE", 1000)
    monkeypatch.setattr(pieces, "_SAMPLE", 600)
    monkeypatch.setattr(arrivals, "CHUNK", 500)
    monkeypatch.setattr(taking, "_GATHERED", 500)


def packed(packing: str, text: str) -> bytes:
    if packing == "zip":
        return zipped({"x.csv": text})
    return gzip.compress(text.encode()) if packing == "gz" else text.encode()


@pytest.mark.parametrize("packing", ["csv", "gz", "zip"])
def test_a_large_file_is_taken_as_a_whole(
    packing: str, make_yard: Callable[[str], Yard], small_pieces: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = table(0, 240).replace(",77\n", ",lots\n") + "2025-07-30T00:00:00Z,1\n2025-07-30T01:00:00Z,1\n"
    large, whole = make_yard("large"), make_yard("whole")
    large.put(f"x.{packing}", packed(packing, text))
    report = large.ingest()
    with monkeypatch.context() as patch:
        patch.setattr(contents, "HELD", 32 << 20)
        whole.put(f"x.{packing}", packed(packing, text))
        assert whole.ingest() == report
    assert (report.files_taken, report.readings_new, report.set_aside) == (1, 239, 2)
    assert (large.blocks(), large.rejects()) == (whole.blocks(), whole.rejects())
    assert [line for _, line, _ in large.rejects()] == [79, None]
    assert large.ingest().files_known == 1


def test_a_large_file_that_meets_an_error_leaves_nothing(
    yard: Yard, small_pieces: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard.put("a.csv", table(0, 240))
    yard.put("b.csv", table(250, 3))
    real, calls = taking.merge_files, itertools.count()

    def stumble(conn, files, **rest):  # type: ignore[no-untyped-def]
        if next(calls) == 2:
            raise ZeroDivisionError("by chance")
        return real(conn, files, **rest)

    monkeypatch.setattr(taking, "merge_files", stumble)
    report = yard.ingest()
    assert report.failed == ("incoming/a.csv: could not be kept: ZeroDivisionError: by chance",)
    assert (report.readings_new, len(yard.blocks()), yard.states()) == (3, 1, {"incoming/b.csv": "taken"})
    monkeypatch.undo()
    assert yard.ingest().readings_new == 240


def test_a_large_file_that_changes_meanwhile_is_for_the_next_pass(
    yard: Yard, small_pieces: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = yard.put("a.csv", table(0, 240))
    real = taking.merge_files

    def grow(conn, files, **rest):  # type: ignore[no-untyped-def]
        yard.put("a.csv", table(0, 241))
        return real(conn, files, **rest)

    monkeypatch.setattr(taking, "merge_files", grow)
    report = yard.ingest()
    assert (report.files_taken, report.files_waiting, report.failed, yard.blocks()) == (0, 1, (), {})
    monkeypatch.undo()
    assert yard.ingest().readings_new == 241
    assert path.exists()


def test_a_pass_may_be_stopped_amid_a_large_file(yard: Yard, small_pieces: None) -> None:
    yard.put("a.csv", table(0, 240))
    asked = itertools.count()
    report = yard.ingest(should_stop=lambda: next(asked) == 3)
    assert (report.complete, report.files_taken, yard.blocks()) == (False, 0, {})
    assert yard.ingest().files_taken == 1


def test_only_some_files_are_held_at_a_time(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (queues, taking):
        monkeypatch.setattr(module, "BYTES_AT_ONCE", 3000)
    monkeypatch.setattr(taking, "_GATHERED", 500)
    for n in range(20):
        yard.put(f"{n:02d}.csv", table(10 * n, 40))  # a kilobyte each
    happened: list[str] = []

    def noting(what: str, real: Callable[..., object]) -> Callable[..., object]:
        return lambda *given, **named: (happened.append(what), real(*given, **named))[1]

    monkeypatch.setattr(queues, "look_into", noting("open", queues.look_into))
    monkeypatch.setattr(taking, "merge_files", noting("keep", taking.merge_files))
    assert yard.ingest().files_taken == 20
    runs = [len(list(run)) for what, run in itertools.groupby(happened) if what == "open"]
    assert (sum(runs), max(runs) <= 6) == (20, True)


def test_many_files_are_listed_and_known(yard: Yard) -> None:
    numbers = list(range(1500))
    random.Random(3).shuffle(numbers)
    for n in numbers:
        yard.put(f"{n}.csv", table(n % 200, 1))
    assert yard.ingest().files_taken == 200  # as many contents
    report = yard.ingest()
    assert (report.files_taken, report.files_known, len(yard.blocks())) == (0, 1500, 9)
