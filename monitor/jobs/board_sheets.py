"""What the store knows of some sites, read at once, for their pages on the board."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

from monitor.config import Fleet
from monitor.detect.finding import Finding
from monitor.detect.least_loss import least_losses
from monitor.detect.price import kwh_price
from monitor.jobs.board_due import Stand
from monitor.jobs.telling import limit_words
from monitor.jobs.valuing import first_valued_day, values_of
from monitor.model.history import SiteHistory
from monitor.nightly.memory import remember_all
from monitor.report.board.energies import first_month
from monitor.report.board.lines import troubles
from monitor.report.board.site import YEAR, Known
from monitor.report.ranking import NextYear
from monitor.store import Store
from monitor.store.daily import DailyRow, energies_of
from monitor.store.findings import Loss, losses_of
from monitor.store.polls import list_polls


def read_known(fleet: Fleet, store: Store, stands: Sequence[Stand]) -> dict[str, Known]:
    """All that the pages of these sites need, by site."""
    nights = {stand.site.id: stand.night for stand in stands if stand.night is not None}
    ids = list(nights)
    rows: dict[str, list[DailyRow]] = {}
    losses: dict[str, list[Loss]] = {}
    histories: dict[str, SiteHistory] = {}
    with store.read() as conn:
        if nights:
            first, last = _span(stands, nights)
            also = sorted({f.subject for s in stands for f in s.findings if f.subject.startswith("module:")})
            rows = energies_of(conn, ids, first=first, last=last, also=also)
            losses = losses_of(conn, ids, first=first_month(min(nights.values())), last=last)
            told = remember_all(conn, {site: night + timedelta(days=1) for site, night in nights.items()})
            histories = {site: history for site, (history, _) in told.items()}
        troubles_of: dict[str, dict[str, str]] = {}
        for state in list_polls(conn):
            troubles_of.setdefault(state.site, {})[state.source] = state.trouble
    return {
        stand.site.id: _known(
            stand, fleet.settings.fleet.currency, rows.get(stand.site.id, []), losses.get(stand.site.id, []),
            histories.get(stand.site.id), troubles_of.get(stand.site.id, {}),
        )
        for stand in stands
    }  # fmt: skip


def _span(stands: Sequence[Stand], nights: Mapping[str, date]) -> tuple[date, date]:
    """The days that the pages of these sites tell of or rest on."""
    firsts = [first_valued_day(troubles(stand.findings), nights[stand.site.id]) for stand in stands if stand.night]
    shown = [min(first_month(night), night - YEAR + timedelta(days=1)) for night in nights.values()]
    return min(*firsts, *shown), max(nights.values())


def _known(
    stand: Stand, currency: str, rows: Sequence[DailyRow], losses: Sequence[Loss], history: SiteHistory | None,
    devices: Mapping[str, str],
) -> Known:  # fmt: skip
    site, night = stand.site, stand.night
    values: dict[str, NextYear] = {}
    limits: list[tuple[str, str]] = []
    if night is not None and history is not None:
        rows = [row for row in rows if row.day <= night]
        if troubles(stand.findings):
            price = None if site.tariff is None else kwh_price(site, history)
            values = values_of(site, stand.findings, night, _expected(rows, stand.findings, night), price)
        limits = [(limit.subject, limit_words(limit)) for limit in least_losses(site, history, night)]
    return Known(
        site=site,
        until=night,
        findings=stand.findings,
        last_days=stand.last_days,
        is_heard=stand.is_heard,
        currency=currency,
        values=values,
        rows=rows,
        losses=losses,
        skies={} if history is None else history.skies,
        limits=limits,
        troubles=devices,
    )


def _expected(rows: Sequence[DailyRow], findings: Sequence[Finding], night: date) -> dict[str, dict[date, float]]:
    first = first_valued_day(troubles(findings), night)
    found: dict[str, dict[date, float]] = {}
    for row in rows:
        if row.expected_kwh is not None and row.day >= first:
            found.setdefault(row.subject, {})[row.day] = row.expected_kwh
    return found
