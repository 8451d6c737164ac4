"""`aftercare digest`."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ingest.errors import ConfigurationError
from monitor.cli.shell import Day, Month, fleet_argument, leave, note, opened, pick_site, site_option

if TYPE_CHECKING:
    from monitor.config import Fleet
    from monitor.jobs.digests import Issued, Outlets
    from monitor.jobs.mailing import Mailed
    from monitor.store import Store


@click.command()
@fleet_argument
@click.option("--for", "reader", type=click.Choice(["service", "homeowner"]), required=True, help="Who reads it.")
@site_option
@click.option("--month", type=Month(), metavar="YYYY-MM", help="Default: each site's last fully assessed month.")
@click.option(
    "--night",
    type=Day(),
    metavar="DATE",
    help="Of --for service: as known after this night.  [default: the last]",
)
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), metavar="FOLDER", help="Default: FLEET/digests."
)
@click.option(
    "--send", is_flag=True, help="Send them by mail instead, with all that waits; files only with --out as well."
)
@click.pass_context
def digest(
    ctx: click.Context,
    fleet: Path,
    reader: str,
    site_id: str | None,
    month: date | None,
    night: date | None,
    out: Path | None,
    send: bool,
) -> None:
    """Write the service team's digest, or the homeowners' pages of a month, as .eml and .html; or send them.

    A digest is sent to each reader once, however often this is called. What a mail server refused is tried again.
    """
    from monitor.jobs.digests import FOLDER, Outlets
    from monitor.jobs.mailing import send_waiting

    if reader == "service" and (site_id or month):
        raise click.UsageError("--site and --month are for --for homeowner; the service digest is about the fleet.")
    if night is not None and (reader != "service" or send):
        raise click.UsageError("--night is for --for service, and what is past is only written, not sent.")
    clock = ctx.obj.clock
    with opened(fleet) as (loaded, store):
        if send:
            check_mail(loaded, reader)
        outlets = Outlets(out, mail=True, again=True) if send else Outlets(out or loaded.folder / FOLDER)
        only = {pick_site(loaded, site_id).id} if site_id else None
        issued = issue(reader, loaded, store, outlets, clock(), only, month, night)
        tell_issued(issued, send)
        mailed = send_waiting(loaded, store, clock, rested_only=False) if send else None
    if mailed is not None:
        tell_mailed(mailed, issued)
    leave(ctx, loaded, set_aside=bool(issued.failed or (mailed and mailed.failed)))


def check_mail(fleet: Fleet, reader: str) -> None:
    """Raise ConfigurationError where nothing could be sent."""
    mail = fleet.settings.mail
    if mail is None:
        raise ConfigurationError(
            ["fleet.toml: mail: missing; --send expects a section [mail] with at least host and sender"]
        )
    if reader == "service" and not mail.service_team:
        raise ConfigurationError(
            ["fleet.toml: mail.service_team: missing; --send expects the addresses of who reads the service digest"]
        )


def issue(
    reader: str,
    fleet: Fleet,
    store: Store,
    outlets: Outlets,
    now: int,
    only: set[str] | None,
    month: date | None,
    night: date | None,
) -> Issued:
    """The digests of one kind."""
    from monitor.jobs.digests import issue_homeowner_digests, issue_service_digest

    if reader == "service":
        return issue_service_digest(fleet, store, outlets, now=now, night=night)
    return issue_homeowner_digests(fleet, store, outlets, now=now, site_ids=only, month=month)


def tell_issued(issued: Issued, send: bool) -> None:
    """Paths to stdout; what went wrong, and what somebody may want to know, to stderr."""
    note(*issued.failed, *issued.remarks)
    for path in issued.paths:
        click.echo(path)
    if not (issued.paths or issued.failed or issued.remarks or issued.queued or issued.known):
        note(f"nothing to {'send' if send else 'write'}: no night is assessed yet; run aftercare assess first")


def tell_mailed(mailed: Mailed, issued: Issued) -> None:
    """One line to stdout, the trouble to stderr; raise what kept the mail server from taking anything."""
    from monitor.jobs.mailing import summary

    known = f", {issued.known} queued or sent before" if issued.known else ""
    click.echo(f"{issued.queued} queued{known}; {summary(mailed)}")
    note(*dict.fromkeys([*mailed.refused, *mailed.put_off]))
    if mailed.trouble is not None:
        raise mailed.trouble
