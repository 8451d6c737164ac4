"""`aftercare digest`."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from monitor.cli.shell import Month, fleet_argument, leave, note, opened, pick_site, site_option


@click.command()
@fleet_argument
@click.option("--for", "reader", type=click.Choice(["service", "homeowner"]), required=True, help="Who reads it.")
@site_option
@click.option("--month", type=Month(), metavar="YYYY-MM", help="Default: each site's last fully assessed month.")
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), metavar="FOLDER", help="Default: FLEET/digests."
)
@click.pass_context
def digest(
    ctx: click.Context, fleet: Path, reader: str, site_id: str | None, month: date | None, out: Path | None
) -> None:
    """Write the service team's digest, or the homeowners' pages of a month, as .eml and .html."""
    from monitor.jobs.digests import write_homeowner_digests, write_service_digest

    if reader == "service" and (site_id or month):
        raise click.UsageError("--site and --month are for --for homeowner; the service digest is about the fleet.")
    now = ctx.obj.clock()
    with opened(fleet) as (loaded, store):
        if reader == "service":
            written = write_service_digest(loaded, store, now=now, out=out)
        else:
            only = {pick_site(loaded, site_id).id} if site_id else None
            written = write_homeowner_digests(loaded, store, now=now, site_ids=only, month=month, out=out)
    note(*written.failed)
    for path in written.paths:
        click.echo(path)
    if not written.paths and not written.failed:
        note("nothing to write: no night is assessed yet; run aftercare assess first")
    leave(ctx, loaded, set_aside=bool(written.failed))
