"""`aftercare demo`."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.shell import EXIT_DONE, EXIT_SET_ASIDE, Day, Folder, Progress, note
from monitor.cli.tables import aligned

if TYPE_CHECKING:
    from monitor.detect.finding import Finding
    from monitor.jobs.demonstration import Demonstration


@click.command()
@click.argument("folder", type=Folder, default=Path("aftercare-demo"), required=False)
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Another seed, another fleet.")
@click.option("--last-day", type=Day(), metavar="DATE", help="Last day of the exports.  [default: 2026-08-31]")
@click.pass_context
def demo(ctx: click.Context, folder: Path, seed: int, last_day: date | None) -> None:
    """Make an invented fleet with known faults and do the whole job over it: ingest, assess, digests.

    FOLDER is ./aftercare-demo unless given; an earlier demo there is replaced. No mail leaves the machine.
    """
    from monitor.jobs.demonstration import LAST_DAY, demonstrate

    with Progress() as progress:
        shown = demonstrate(folder, seed=seed, last_day=last_day or LAST_DAY, stage=progress.stage, progress=progress)
        progress.stage("done")
    note(*shown.ingested.sources_unread, *shown.ingested.reasons, *shown.failed)
    click.echo("\n".join(as_text(shown, folder)))
    ctx.exit(EXIT_SET_ASIDE if shown.failed or not shown.ingested.all_taken else EXIT_DONE)


def as_text(shown: Demonstration, folder: Path) -> list[str]:
    """What was found, beside what is truly wrong, and where to look."""
    fleet, taken = shown.fleet, shown.ingested
    lines = [
        f"{fleet.settings.fleet.name}: {len(fleet.sites)} homes, {taken.files_taken} export files, "
        f"{taken.readings_new:,} readings, {shown.site_nights:,} site-nights assessed",
        "",
        *_found(shown.findings),
        "",
        "What is truly wrong in this fleet:",
    ]
    for trouble in shown.truth.troubles:
        finding = shown.finding_of(trouble)
        told = f"found, raised {finding.raised.isoformat()}" if finding else "not found"
        cost = f"; cost {trouble.lost_kwh:.1f} kWh" if trouble.lost_by_day else ""
        until = f" to {trouble.last_day.isoformat()}" if trouble.last_day else ""
        lines.append(
            f"  {trouble.site} {trouble.subject} {trouble.cause} {trouble.first_day.isoformat()}{until}: {told}{cost}"
        )
    lines += ["", "Open in a browser or a mail program:", *(f"  {path}" for path in shown.digests)]
    return [*lines, "", f"Go on with: aftercare findings {folder} --all, aftercare yields {folder} {fleet.sites[0].id}"]


def _found(findings: tuple[Finding, ...]) -> list[str]:
    if not findings:
        return ["Found: nothing"]
    heads = ("level", "state", "site", "subject", "cause", "since", "raised", "lost kWh")
    rows = [
        (f.level, f.state, f.site, f.subject, f.cause, f.since.isoformat(), f.raised.isoformat(), f"{f.lost_kwh:.1f}")
        for f in findings
    ]
    return ["Found:", *(f"  {line}" for line in aligned([heads, *rows], right=(7,)))]
