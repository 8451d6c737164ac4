"""`aftercare findings`."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from monitor.cli.shell import (
    EXIT_FINDING,
    fleet_argument,
    json_option,
    leave,
    opened,
    pick_site,
    print_json,
    site_option,
)
from monitor.cli.tables import aligned

if TYPE_CHECKING:
    from monitor.config import Fleet
    from monitor.detect.finding import Finding
    from monitor.jobs.telling import Told
    from monitor.report.ranking import NextYear

LEVELS = ("note", "watch", "visit", "urgent")


@click.command()
@fleet_argument
@site_option
@click.option("--all", "include_cleared", is_flag=True, help="Cleared findings too.")
@click.option("--limits", is_flag=True, help="Instead, what cannot be seen: the least loss that would be found.")
@json_option
@click.option(
    "--fail-on",
    type=click.Choice(LEVELS),
    help="Exit with 4 when an open finding is at or above this level (2 stays 2 when a site file is wrong).",
)
@click.pass_context
def findings(
    ctx: click.Context, fleet: Path, site_id: str | None, include_cleared: bool, limits: bool, as_json: bool,
    fail_on: str | None,
) -> None:  # fmt: skip
    """Open findings: what may be a danger first, then the gravest, within a level by probability times the energy that
    the next twelve months would lose.

    `assessed_until` is the last night that every site with readings has been assessed for.
    """
    from monitor.jobs.telling import list_ranked_findings

    if limits:
        if include_cleared or fail_on:
            raise click.UsageError("--limits goes with neither --all nor --fail-on.")
        tell_limits(ctx, fleet, site_id, as_json)
    with opened(fleet) as (loaded, store):
        if site_id is not None:
            pick_site(loaded, site_id)
        told = list_ranked_findings(loaded, store, site_id=site_id, include_cleared=include_cleared)
    if as_json:
        until = told.assessed_until.isoformat() if told.assessed_until else None
        print_json(
            {
                "schema": 1,
                "assessed_until": until,
                "findings": [ranked_document(f, told.values.get(f.id)) for f in told.findings],
            }
        )
    else:
        click.echo(as_text(loaded, told))
    grave = LEVELS.index(fail_on) if fail_on else len(LEVELS)
    if not loaded.faults and any(f.state == "open" and LEVELS.index(f.level) >= grave for f in told.findings):
        ctx.exit(EXIT_FINDING)
    leave(ctx, loaded)


def tell_limits(ctx: click.Context, fleet: Path, site_id: str | None, as_json: bool) -> None:
    """What cannot be seen on each site, and leave."""
    from monitor.jobs.telling import limits_document, limits_text, list_limits

    with opened(fleet) as (loaded, store):
        told = list_limits(loaded, store, site_id=None if site_id is None else pick_site(loaded, site_id).id)
    if as_json:
        print_json(limits_document(told))
    else:
        click.echo("\n".join(limits_text(told)))
    leave(ctx, loaded)


def ranked_document(finding: Finding, value: NextYear | None) -> dict[str, Any]:
    """A finding with what it is worth to act on it: the next twelve months, and that times its probability."""
    from monitor.report.finding_document import finding_document

    return {
        **finding_document(finding),
        "rank_value_kwh": None if value is None else value.rank_kwh,
        "value_next_12_months": None
        if value is None
        else {"kwh": value.kwh, "money": value.money, "money_basis": value.basis},
    }


def as_text(fleet: Fleet, told: Told) -> str:
    """A table, and under it what each finding says."""
    found, until = told.findings, told.assessed_until
    if until is None:
        return "Nothing has been assessed yet; run: aftercare assess " + str(fleet.folder)
    head = f"{len(found) or 'No'} finding{'' if len(found) == 1 else 's'}; assessed until {until.isoformat()}"
    if not found:
        return head
    heads = ("level", "state", "site", "subject", "cause", "since", "raised", "lost kWh", f"lost {_currency(fleet)}",
             "next 12 months")  # fmt: skip
    rows = aligned([heads, *(_row(f, told.values.get(f.id)) for f in found)], right=(7, 8, 9))
    lines = [head, "", rows[0]]
    for row, finding in zip(rows[1:], found, strict=True):
        lines += [row, textwrap.fill(finding.summary, 100, initial_indent="    ", subsequent_indent="    ")]
    return "\n".join(lines)


def _row(f: Finding, value: NextYear | None) -> tuple[str, ...]:
    ahead = "" if value is None else f"{value.kwh:.0f} kWh"
    money = "" if f.lost_money is None else f"{f.lost_money:.2f}"
    since, raised = f.since.isoformat(), f.raised.isoformat()
    state = f.state if f.verdict is None else f"{f.state}, {f.verdict}"
    return f.level, state, f.site, f.subject, f.cause, since, raised, f"{f.lost_kwh:.1f}", money, ahead


def _currency(fleet: Fleet) -> str:
    return fleet.settings.fleet.currency
