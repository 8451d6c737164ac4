"""Detection on measured series with faults spliced in: `python -m tests.benchmarks.spliced [--detail] [--series TEXT]`.

`AFTERCARE_OPEN_DATA` names the folder of the data. Every series is replayed untouched, and what that finds is told by
level. Then, from the stores as they stood on several days of all seasons, the same roof goes on with a fault in its
exports. Printed for each kind: found of all, delay in calendar and in usable days, how far off its first day was told,
the loss told over the loss that was spliced in, and what else was said that the untouched roof does not say.

The light, the clouds, the haze, the snow and the instruments are real; the faults are not, nor are the two strings of
a roof whose record has AC power only.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from monitor.config import load_fleet
from monitor.detect.finding import Finding
from monitor.jobs.ingesting import ingest_fleet
from monitor.nightly import assess
from monitor.store import Store
from monitor.store.findings import list_findings
from tests.benchmarks.spliced_faults import Kind, kinds
from tests.benchmarks.spliced_series import Series, all_series, deliver, lay_out

STARTS = 8
# Days before the first and after the last start; of a short record, parts of it.
_BEFORE, _AFTER = 110, 100
_USABLE_SHARE, _SAME_DAYS = 0.15, 20


@dataclass(frozen=True)
class Case:
    """A fault that was spliced in, and what was said."""

    series: str
    kind: str
    start: str
    found: bool
    named: list[str]  # causes of all that was said on its account
    raised: str | None
    delay_days: int | None
    delay_usable: int | None
    since_error: int | None
    told_kwh: float
    true_kwh: float
    false: list[str]  # of what the untouched roof does not say, what names something else: level and cause


@dataclass(frozen=True)
class Untouched:
    """A record as it is."""

    series: str
    said: str
    years: float
    findings: list[Finding]


def replay(series: Series, place: Path, starts: Sequence[pd.Timestamp]) -> Untouched:
    """Replay a record from end to end, keeping the folder as it was before each start (`place`/START)."""
    folder = place / "whole"
    lay_out(series, folder)
    last = series.days[-1]
    edges = [series.days[0], *starts, last + pd.Timedelta(days=1)]
    for begin, end in zip(edges[:-1], edges[1:], strict=True):
        inside = (series.local >= begin) & (series.local < end)
        deliver(series, folder, series.power[inside], f"{begin.date()}")
        go_on(folder, (end - pd.Timedelta(days=1)).date())
        if end <= last:
            shutil.copytree(folder, place / f"{end.date()}")
    return Untouched(series.name, series.said, len(series.days) / 365.25, findings_in(folder))


def go_on(folder: Path, last: date) -> None:
    """Take what is new and run the nights up to a day."""
    fleet = load_fleet(folder)
    store = Store.open(fleet.settings.store.url, folder)
    try:
        taken = ingest_fleet(fleet, store, now=int(time.time()) + 3600)
        report = assess(fleet, store, site_ids=None, first=None, last=last)
    finally:
        store.close()
    if report.failed or taken.failed:
        raise RuntimeError(f"{folder}: {report.failed} {taken.failed}")


def findings_in(folder: Path) -> list[Finding]:
    """All findings as they stand."""
    store = Store.open(load_fleet(folder).settings.store.url, folder)
    try:
        with store.read() as conn:
            return list_findings(conn, include_cleared=True)
    finally:
        store.close()


def splice(series: Series, kind: Kind, start: pd.Timestamp, place: Path, healthy: Untouched) -> Case:
    """Let the roof go on from a day with a fault, and see what is said."""
    folder = place / "spliced"
    shutil.copytree(place / f"{start.date()}", folder)
    last = min(start + pd.Timedelta(days=kind.watched - 1), series.days[-1])
    inside = (series.local >= start) & (series.local < last + pd.Timedelta(days=1))
    power, began = series.power[inside], start.tz_localize(str(series.site["zone"])).tz_convert("UTC")
    faulty = kind.splice(series, power, began, np.random.default_rng(start.day_of_year))
    deliver(series, folder, faulty, f"{start.date()}")
    go_on(folder, last.date())
    known = {f.id for f in findings_in(place / f"{start.date()}")}
    new = [f for f in findings_in(folder) if f.id not in known or f.last_seen >= start.date() and f.state == "open"]
    shutil.rmtree(folder)
    true = float((series.kwh_by_day(power) - series.kwh_by_day(faulty)).sum()) if kind.truly_lost else 0.0
    return judged(series, kind, start, new, healthy, max(true, 0.0))


def judged(
    series: Series, kind: Kind, start: pd.Timestamp, new: Sequence[Finding], healthy: Untouched, true_kwh: float
) -> Case:
    """Set what was said beside what was spliced in."""
    first = start.date()
    own = [f for f in new if not any(_same(f, g) for g in healthy.findings)]
    right = sorted((f for f in own if f.cause in kind.causes and f.raised >= first), key=lambda f: f.raised)
    others = [f for f in own if f not in right and f.level != "note"]
    hit = right[0] if right else None
    kwh = series.kwh_by_day()
    usable = kwh >= _USABLE_SHARE * kwh.quantile(0.95)
    days = pd.DatetimeIndex(kwh.index)
    return Case(
        series.name, kind.name, str(first), hit is not None, sorted({f.cause for f in [*right, *others]}),
        str(hit.raised) if hit else None,
        (hit.raised - first).days if hit else None,
        int(usable[(days >= start) & (days < pd.Timestamp(hit.raised))].sum()) if hit else None,
        (hit.since - first).days if hit else None,
        sum(f.lost_kwh for f in right), true_kwh, [f"{f.level} {f.cause}" for f in others],
    )  # fmt: skip


def _same(one: Finding, other: Finding) -> bool:
    """Whether a finding is one that the untouched roof has about the same time, too."""
    near = abs(one.raised - other.raised) <= timedelta(days=_SAME_DAYS)
    return (one.subject, one.cause) == (other.subject, other.cause) and near


def starts_of(series: Series, number: int) -> list[pd.Timestamp]:
    """Days on which faults begin, evenly over the record."""
    days = series.days
    before, after = min(_BEFORE, int(0.45 * len(days))), min(_AFTER, int(0.3 * len(days)))
    return [days[int(n)] for n in np.linspace(before, len(days) - after, number)]


def run(series: Series, chosen: Sequence[Kind], number: int) -> tuple[Untouched, list[Case]]:
    """One record: untouched, then with every fault that it can bear."""
    starts = [] if series.faulty else starts_of(series, number)
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        healthy = replay(series, place, starts)
        fit = [k for k in chosen if not k.of_a_string or series.split]
        return healthy, [splice(series, kind, start, place, healthy) for kind in fit for start in starts]


def tell_untouched(roofs: Sequence[Untouched]) -> None:
    """What is said of records that nobody touched."""
    print(f"\n{'untouched':42} {'site-years':>10}  urgent  visit  watch  note   what")
    for roof in roofs:
        levels = Counter(f.level for f in roof.findings)
        what = ", ".join(f"{n} x {c}" for c, n in Counter(f"{f.level} {f.cause}" for f in roof.findings).items())
        print(
            f"{roof.series:42} {roof.years:10.2f}  {levels['urgent']:6d}  {levels['visit']:5d}  {levels['watch']:5d}  "
            f"{levels['note']:4d}   {what or 'nothing'}{f' ({roof.said})' if roof.said else ''}"
        )


def tell(title: str, cases: Sequence[Case]) -> None:
    """One table."""
    groups: dict[str, list[Case]] = defaultdict(list)
    for case in cases:
        groups[case.kind].append(case)
    print(f"\n{title:42} found  delay: days usable (worst)  since+-  told/true kWh  else said")
    for kind, mine in groups.items():
        hits = [c for c in mine if c.found]
        delay, usable, off = (
            [abs(v) for c in hits if (v := getattr(c, k)) is not None]
            for k in ("delay_days", "delay_usable", "since_error")
        )
        told, true = sum(c.told_kwh for c in hits), sum(c.true_kwh for c in hits)
        ratio = f"{told / true:.2f}" if true > 1.0 else f"{told:.0f}/0" if hits else "-"
        said = ", ".join(f"{n} x {what}" for what, n in Counter(f for c in mine for f in c.false).most_common())
        print(
            f"{kind:42} {len(hits):2}/{len(mine):<2}  {_middle(delay):>11} {_middle(usable):>6} {_most(usable):>7}  "
            f"{_middle(off):>7}  {ratio:>13}  {said or '-'}"
        )


def _middle(values: Sequence[int]) -> str:
    return f"{np.median(values):.0f}" if values else "-"


def _most(values: Sequence[int]) -> str:
    return f"({max(values)})" if values else "-"


def main() -> None:
    """Read the command line, replay, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.spliced")
    parser.add_argument("--series", default="", metavar="TEXT", help="only records with this in their name")
    parser.add_argument("--kind", default="", metavar="TEXT", help="only faults with this in their name")
    parser.add_argument("--starts", type=int, default=STARTS, help="days on which each fault begins")
    parser.add_argument("--detail", action="store_true", help="every case on a line")
    parser.add_argument("--out", type=Path, help="write the cases as JSON")
    chosen = parser.parse_args()
    folder = os.environ.get("AFTERCARE_OPEN_DATA")
    if not folder or not Path(folder).is_dir():
        sys.exit("AFTERCARE_OPEN_DATA does not name a folder with open data")
    roofs, cases = [], []
    for series in all_series(Path(folder)):
        if chosen.series not in series.name:
            continue
        healthy, mine = run(series, [k for k in kinds() if chosen.kind in k.name], chosen.starts)
        roofs.append(healthy)
        cases += mine
        if mine:
            tell(series.name, mine)
        for case in mine if chosen.detail else ():
            print(" ", json.dumps(asdict(case)))
        sys.stdout.flush()
    tell_untouched(roofs)
    tell("all records", cases)
    if chosen.out:
        chosen.out.write_text(json.dumps([asdict(c) for c in cases], indent=1))


if __name__ == "__main__":
    main()
