"""`aftercare assess`."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.shell import (
    Day,
    Progress,
    Shell,
    fleet_argument,
    json_option,
    leave,
    note,
    opened,
    pick_site,
    print_json,
    site_option,
)

if TYPE_CHECKING:
    from monitor.config import Fleet
    from monitor.nightly import AssessReport
    from monitor.store import Store

_UNTIL = "Last night.  [default: yesterday; with --from, the last day that has readings]"


@click.command()
@fleet_argument
@site_option
@click.option("--from", "first", type=Day(), metavar="DATE", help="Replay every night from this one on.")
@click.option("--until", type=Day(), metavar="DATE", help=_UNTIL)
@json_option
@click.pass_context
def assess(
    ctx: click.Context, fleet: Path, site_id: str | None, first: date | None, until: date | None, as_json: bool
) -> None:
    """Assess the nights that are due, or replay them.

    A night sees only readings with a time before the end of its day.
    """
    from monitor.jobs.assessing import summary

    if first and until and until < first:
        raise click.UsageError(f"--until {until} lies before --from {first}.")
    with opened(fleet) as (loaded, store):
        only = frozenset({pick_site(loaded, site_id).id}) if site_id is not None else None
        report = run_nights(loaded, store, ctx.obj, only, first, until)
    note(*report.failed)
    if as_json:
        print_json(as_summary(report))
    else:
        click.echo(summary(report))
        for what, found in (("raised", report.raised), ("cleared", report.cleared)):
            for finding in found:
                click.echo(f"  {what} {finding.level}: {finding.site} {finding.subject} {finding.cause}")
    leave(ctx, loaded, set_aside=bool(report.failed))


def run_nights(
    fleet: Fleet, store: Store, shell: Shell, only: frozenset[str] | None, first: date | None, until: date | None
) -> AssessReport:
    """Assess with progress; a pass over all sites is noted as a run of the job."""
    from monitor.jobs.assessing import assess_fleet, assess_noted

    with Progress() as progress:
        if only is None:
            return assess_noted(fleet, store, shell.clock, first=first, until=until, progress=progress)
        now = shell.clock()
        return assess_fleet(fleet, store, now=now, site_ids=only, first=first, until=until, progress=progress)


def as_summary(report: AssessReport) -> dict[str, object]:
    """A pass as other programs read it."""
    from monitor.report.finding_document import finding_document

    return {
        "schema": 1,
        "nights": report.nights,
        "site_nights": report.site_nights,
        "assessed_until": report.assessed_until.isoformat() if report.assessed_until else None,
        "raised": [finding_document(f) for f in report.raised],
        "cleared": [finding_document(f) for f in report.cleared],
        "failed": list(report.failed),
    }
