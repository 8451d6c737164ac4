"""One site's night: what its detectors say, what is learned from it, and what of that is kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from sqlalchemy import Connection

from monitor.detect.contest import settle
from monitor.detect.evening import at_nothing
from monitor.detect.life import Change, advance
from monitor.detect.night import SiteNight, Verdict
from monitor.detect.observe import observe
from monitor.detect.on_paper import hedged
from monitor.detect.ruling import rule, silenced
from monitor.detect.shading_growth import LOOK_BACK_DAYS, is_look_night
from monitor.detect.table import detector_table, spoils
from monitor.detect.told import told_by
from monitor.model.dayview import DayExpectation, DayView
from monitor.model.gain import Gains
from monitor.model.learned_sky import KeptLooks, LearnedSky, is_build_night, next_build_night
from monitor.nightly.cases import Case
from monitor.nightly.doubts import plane_baselines
from monitor.nightly.places import place_baselines
from monitor.nightly.rows import daily_rows
from monitor.nightly.skies import learn_skies, night_looks, read_chain
from monitor.store import Store
from monitor.store.baselines import Baseline, write_baseline
from monitor.store.daily import DailyRow
from monitor.store.findings import Loss, add_events, finding_event, save_findings, write_losses
from monitor.store.skies import as_stored, write_maps


@dataclass(frozen=True, slots=True)
class Outcome:
    """All that a night found out about one site."""

    rows: list[DailyRow]
    changes: list[Change]
    settled: dict[str, Gains]
    looks: list[KeptLooks]
    skies: list[LearnedSky]
    papers: list[Baseline]  # what was looked at of the site file


def _by_right_clocks(night: SiteNight, looks: Sequence[KeptLooks]) -> list[KeptLooks]:
    """Looks without those of days whose stamps are known to be wrong: the sun stood elsewhere."""
    right = night.by_right_clocks(np.array([one.day.toordinal() for one in looks], dtype=np.int64))
    return [one for one, is_right in zip(looks, right.tolist(), strict=True) if is_right]


def judge(store: Store, case: Case, view: DayView, expectation: DayExpectation, night: SiteNight) -> Outcome:
    """What a night says of a site; nothing is written yet."""
    if case.history.skies and is_look_night(case.site.id, view.day):
        with store.read() as conn:
            chain = read_chain(conn, case.site.id, view.day, nights=LOOK_BACK_DAYS)
        night = replace(night, looks={subject: _by_right_clocks(night, looks) for subject, looks in chain.items()})
    night = observe(night)
    found: list[Verdict] = [v for detector in detector_table().values() for v in detector.find(night)]
    found = hedged(night, found)
    verdicts = silenced(night, settle(case.site, found, case.findings), case.rulings, case.findings)
    raised = max(view.day, case.raised_from or view.day)
    changes = advance(
        night, verdicts, case.findings, suspected=case.history.suspected, raised=raised, taken_back=case.taken_back,
        judged=[r.known for r in case.rulings],
    )  # fmt: skip
    changes += rule(night, changes, case.findings, case.rulings)
    troubled = _troubled(case, changes)
    frozen = {s for s in case.history.frozen if case.history.is_settled(s)}
    rows = daily_rows(view, expectation, night, verdicts, case.history, troubled=troubled, settled=frozen)
    learned = view.in_the_open.gains
    settled = {s: g for s, g in learned.items() if g.complete and s not in frozen and s in view.power_w}
    looks = night_looks(view, night, at_nothing=at_nothing(night), troubled=troubled)
    findings = list(({f.id: f for f in case.findings} | {c.finding.id: c.finding for c in changes}).values())
    since = case.looks_since or view.day
    papers = [
        *plane_baselines(store, case.site, findings, since=since, night=view.day),
        *place_baselines(store, case.site, since=since, night=view.day),
    ]
    return Outcome(rows, changes, settled, looks, _skies(store, case, view.day, looks, changes), papers)


def _skies(
    store: Store, case: Case, day: date, looks: Sequence[KeptLooks], changes: Sequence[Change]
) -> list[LearnedSky]:
    """The maps that are due tonight, as the store will give them back."""
    since = case.looks_since or day
    if case.chain is None and is_build_night(since, day):
        with store.read() as conn:
            case.chain = read_chain(conn, case.site.id, day)
    if case.chain is None:
        return []
    for one in looks:
        case.chain.setdefault(one.subject, []).append(one)
    findings = {f.id: f for f in case.findings} | {c.finding.id: c.finding for c in changes}
    skies = learn_skies(case.site, case.history, list(findings.values()), case.chain, since=since, night=day)
    due = next_build_night(since, day)
    if due is None or case.last is None or due > case.last:  # a fleet's looks are too many to keep for nothing
        case.chain = None
    return [as_stored(sky) for sky in skies]


def _troubled(case: Case, changes: Sequence[Change]) -> set[str]:
    """Units with an open finding of their own, or whose inverter has one: their baselines do not learn tonight."""
    findings = {f.id: f for f in case.findings} | {c.finding.id: c.finding for c in changes}
    subjects = {f.subject for f in findings.values() if f.state == "open" and spoils(f)}
    if "site" in subjects:
        return (
            subjects | {f"string:{s.id}" for s in case.site.string} | {f"inverter:{i.id}" for i in case.site.inverter}
        )
    told = told_by(case.site)
    subjects |= {s for source in subjects if source.startswith("source:") for s in told[source.removeprefix("source:")]}
    subjects |= {f"string:{s.removeprefix('module:').rpartition('/')[0]}" for s in subjects if s.startswith("module:")}
    wired = {f"string:{s.id}" for s in case.site.string if f"inverter:{s.inverter}" in subjects}
    fed = {f"inverter:{s.inverter}" for s in case.site.string if f"string:{s.id}" in subjects}
    return subjects | wired | fed


def keep(conn: Connection, case: Case, day: date, outcome: Outcome) -> None:
    """Write what a night found out about a site, but for its rows and looks, which all sites' are written with."""
    save_findings(conn, list({c.finding.id: c.finding for c in outcome.changes}.values()))
    write_losses(
        conn,
        [Loss(c.finding.id, x.day, x.kwh, x.low, x.high, day) for c in outcome.changes for x in c.losses],
    )
    add_events(conn, [finding_event(c.finding, day, c.what) for c in outcome.changes])
    for subject, gains in outcome.settled.items():
        write_baseline(conn, _baseline(case, subject, day, gains))
    for look in outcome.papers:
        write_baseline(conn, look)
    write_maps(conn, case.site.id, outcome.skies)


def _baseline(case: Case, subject: str, day: date, gains: Gains) -> Baseline:
    learned = case.history.learning_days(subject)
    epoch = case.history.epochs.get(subject)
    values = {"clear_sky": gains.clear_sky, "sensor": gains.sensor, "weather": gains.weather, "sigma": gains.sigma}
    return Baseline(
        site=case.site.id,
        subject=subject,
        epoch=epoch.number if epoch is not None else 0,
        frozen_on=day,
        learned_from=min(learned, default=day),
        learned_until=day,
        values=values,
    )
