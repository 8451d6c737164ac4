"""`aftercare digest`."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from monitor.cli.shell import Month, Shell, fleet_argument, leave, note, opened, pick_site, site_option


@click.command()
@fleet_argument
@click.option("--for", "reader", type=click.Choice(["service", "homeowner"]), required=True)
@site_option
@click.option("--month", type=Month(), help="Month of the homeowner's page.  [default: the last full assessed one]")
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), help="Folder to write to.  [default: FLEET/digests]"
)
@click.pass_context
def digest(
    ctx: click.Context, fleet: Path, reader: str, site_id: str | None, month: date | None, out: Path | None
) -> None:
    """Write a digest as .eml and .html: the service team's, or the homeowners' pages of a month.

    No mail is sent.
    """
    from monitor.jobs.digests import write_homeowner_digests, write_service_digest

    if reader == "service" and (site_id or month):
        raise click.UsageError("--site and --month are for --for homeowner; the service digest covers the fleet.")
    shell: Shell = ctx.obj
    with opened(fleet) as (loaded, store):
        if reader == "service":
            written = write_service_digest(loaded, store, now=shell.clock(), folder=out)
        else:
            sites = [pick_site(loaded, site_id)] if site_id else None
            written = write_homeowner_digests(loaded, store, now=shell.clock(), sites=sites, month=month, folder=out)
    for path in written:
        click.echo(path)
    if not written:
        note("nothing to write: no night is assessed yet; run aftercare assess first")
    leave(ctx, loaded)
