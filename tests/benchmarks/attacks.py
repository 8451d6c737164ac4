"""What is said of homes whose papers, readings or troubles mislead: `python -m tests.benchmarks.attacks --seeds 201`.

Small invented fleets of four attacked homes and two that nobody touches, in seven months or fourteen, replayed night by
night. For every attack: what was said of the home, and the judgement on it. `right`: the cause that it is, or one that
tells where to look; `doubt`: the site file is doubted where it is wrong; `cannot tell`: a finding with a chance of 0.7
at most that names another cause beside its own; `silent`: nothing is said, with the energy that this hid; and what must
never be, a WRONG CERTAINTY: another cause, surely.
"""

from __future__ import annotations

import argparse
import re
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fnmatch import fnmatch
from pathlib import Path

from monitor.config import load_fleet
from monitor.demo.casts import Role
from monitor.demo.chance import stream
from monitor.demo.effects import affected
from monitor.demo.export import write_exports
from monitor.demo.fleet import ZONE, draw_homes
from monitor.demo.kinds import electronic, weathered
from monitor.demo.naming import draw_firm
from monitor.demo.plans import Home
from monitor.demo.production import Run, flows_of
from monitor.demo.router import router_gaps
from monitor.demo.said import readings_of
from monitor.demo.site_file import write_fleet_file, write_site_file
from monitor.demo.span import months_until
from monitor.demo.troubles import Scene
from monitor.demo.truth import truth_of
from monitor.demo.weather import Region, draw_region, weather_at
from monitor.detect.finding import Finding
from monitor.jobs.ingesting import ingest_fleet
from monitor.nightly import assess
from monitor.nightly.doubts import doubts_of
from monitor.store import Store
from monitor.store.baselines import baselines_of
from monitor.store.findings import list_findings
from tests.benchmarks.attack_list import ATTACKS, Attack, Disturbed, plain
from tests.benchmarks.detection import seeds_of

LAST = date(2026, 9, 30)
AT_ONCE = 4
SPECTATORS = (Role(weathered), Role(electronic))
HEDGED = 0.7


@dataclass(frozen=True)
class Outcome:
    """An attack, what was said of its home, and what to think of that."""

    attack: str
    home: str
    judgement: str
    said: tuple[str, ...]
    lost_kwh: float


def run(seed: int, names: Sequence[str], folder: Path) -> list[Outcome]:
    """One fleet: the attacked homes, and two spectators."""
    span = months_until(LAST, max(ATTACKS[name].months for name in names), ZONE)
    roles = [*(Role(ATTACKS[name].kind) for name in names), *SPECTATORS]
    homes = [_own_columns(home) for home in draw_homes(seed, span, roles)]
    region = draw_region(span, [home.place for home in homes], seed)
    write_fleet_file(folder, draw_firm(stream(seed, "firm")), ZONE)
    lost = {}
    for number, (home, name) in enumerate(zip(homes, [*names, "", ""], strict=True)):
        scene = Scene(home, span, region, seed, stream(seed, home.id, "attack"))
        lost[home.id] = _write(folder, scene, number, ATTACKS[name].disturb(scene) if name else plain(home))
    findings, doubts = _replay(folder, span.first_day)
    return [
        judged(name, ATTACKS.get(name), home.id, [f for f in findings if f.site == home.id],
               [d for d in doubts if d.startswith(f"{home.id}:")], lost[home.id])
        for home, name in zip(homes, [*names, "nobody", "nobody"], strict=True)
    ]  # fmt: skip


def _own_columns(home: Home) -> Home:
    return replace(home, exports=tuple(replace(e, layout=None) for e in home.exports))


def _write(folder: Path, scene: Scene, number: int, what: Disturbed) -> float:
    """Write a home's site file and exports; what its troubles cost [kWh]."""
    write_site_file(folder, what.stated, ZONE)
    region: Region = scene.region
    weather = weather_at(region, what.built.place, number, stream(scene.seed, what.built.id, "weather"))
    effects = tuple(e for one in what.happenings for e in one.effects)
    run = Run(what.built, scene.span, weather, effects, scene.seed)
    flows = flows_of(run)
    gaps = router_gaps(scene.span, stream(scene.seed, what.built.id, "router"))
    silent = {
        e.id: gaps | affected(scene.span, effects, "silent", f"source:{e.id}") for e in what.built.exports
    }  # fmt: skip
    write_exports(folder, what.built, scene.span, what.retold(run, readings_of(run, flows)), silent, effects)
    return sum(trouble.lost_kwh for trouble in truth_of(run, flows, what.happenings).troubles)


def _replay(folder: Path, first: date) -> tuple[list[Finding], list[str]]:
    fleet = load_fleet(folder)
    store = Store.open(fleet.settings.store.url, folder)
    try:
        ingest_fleet(fleet, store, now=int(time.time()))
        report = assess(fleet, store, site_ids=None, first=first, last=LAST)
        assert not report.failed, report.failed
        with store.read() as conn:
            baselines = baselines_of(conn, [site.id for site in fleet.sites])
            return list_findings(conn, include_cleared=True), doubts_of(fleet.sites, baselines)
    finally:
        store.close()


def judged(
    name: str, attack: Attack | None, home: str, findings: Sequence[Finding], doubts: Sequence[str], lost_kwh: float
) -> Outcome:
    """What to think of what was said."""
    faults = [f for f in findings if f.level != "note"]
    verdicts = {f.id: _verdict(attack, f) for f in faults}
    fitting = [d for d in doubts if attack is not None and attack.doubt and re.search(attack.doubt, d)]
    if "WRONG" in verdicts.values():
        judgement = "WRONG CERTAINTY"
    elif len(fitting) < len(doubts):
        judgement = "WRONG DOUBT"
    elif "right" in verdicts.values():
        judgement = "right"
    elif fitting:
        judgement = "doubt"
    elif verdicts:
        judgement = "cannot tell"
    else:
        judgement = "silent"
    said = [
        f"{verdicts[f.id]}: {f.cause} {f.subject} {f.level} {f.confidence:.2f} since {f.since} raised {f.raised} "
        f"{f'cleared {f.cleared}' if f.cleared else 'open'} {f.lost_kwh:.0f} kWh; "
        f"or {f.evidence.get('other_causes') or 'nothing else'}"
        for f in sorted(faults, key=lambda f: (f.raised, f.subject))
    ]
    return Outcome(name, home, judgement, (*said, *(f"doubt: {d}" for d in doubts)), lost_kwh)


def _verdict(attack: Attack | None, finding: Finding) -> str:
    if attack is not None and any(
        finding.cause == cause and fnmatch(finding.subject, subject) for cause, subject in attack.right
    ):
        return "right"
    hedged = finding.confidence <= HEDGED and finding.evidence.get("other_causes")
    return "cannot tell" if hedged else "WRONG"


def lines(outcomes: Sequence[Outcome]) -> Iterator[str]:
    """The table, and how often which judgement came out."""
    for one in outcomes:
        hidden = f" ({one.lost_kwh:.0f} kWh lost)" if one.lost_kwh else ""
        yield f"{one.attack:34} {one.home:14} {one.judgement}{hidden}"
        yield from (f"    {said}" for said in one.said)


def main() -> None:
    """Attack fleet after fleet and print what came of it."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.attacks")
    parser.add_argument("--seeds", type=seeds_of, default=[201], metavar="A-B")
    parser.add_argument("--only", default="", metavar="NAME", help="attacks with this in their name (a pattern)")
    chosen = parser.parse_args()
    names = [name for name in ATTACKS if re.search(chosen.only, name)]
    counts: Counter[str] = Counter()
    for seed in chosen.seeds:
        for at in range(0, len(names), AT_ONCE):
            with tempfile.TemporaryDirectory() as place:
                outcomes = run(seed, names[at : at + AT_ONCE], Path(place) / "fleet")
            counts.update(one.judgement for one in outcomes if one.attack != "nobody")
            counts.update(f"{one.judgement}, unattacked" for one in outcomes if one.attack == "nobody")
            print("\n".join(lines(outcomes)), flush=True)
    print("\n" + ", ".join(f"{count} x {judgement}" for judgement, count in counts.most_common()))


if __name__ == "__main__":
    main()
