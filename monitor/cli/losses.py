"""`aftercare losses`."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import click

from monitor.cli.shell import Day, json_option, leave, note, opened, pick_site, print_json, split_fleet
from monitor.cli.tables import aligned

if TYPE_CHECKING:
    from monitor.report.adding_up import By


@click.command()
@click.argument("words", nargs=-1, metavar="FLEET SITE", type=click.Path())
@click.option("--from", "first", type=Day(), metavar="DATE", help="First local day.  [default: the first with figures]")
@click.option("--until", type=Day(), metavar="DATE", help="Last local day.  [default: the last assessed]")
@click.option("--by", type=click.Choice(["month", "day"]), default="month", show_default=True)
@json_option
@click.pass_context
def losses(
    ctx: click.Context, words: tuple[str, ...], first: date | None, until: date | None, by: By, as_json: bool
) -> None:
    """What a site was expected to make, and where it went: made, lost to each finding, to what is normal, unexplained.

    The parts add up to what was expected, to the watt-hour; nothing is counted twice. In JSON all energies are whole
    watt-hours.
    """
    from monitor.jobs.losses import losses_document, losses_remarks, losses_rows, read_loss_sheet

    folder, rest = split_fleet(words)
    if len(rest) != 1:
        raise click.UsageError(f"Expected the fleet folder and one SITE; found {' '.join(rest) or 'no SITE'}.")
    if first and until and until < first:
        raise click.UsageError(f"--until {until} lies before --from {first}.")
    with opened(folder) as (fleet, store):
        sheet = read_loss_sheet(store, pick_site(fleet, rest[0]), first, until, by)
    if not sheet.parts:
        note(f"{sheet.site}: no figures for these days; run aftercare assess first")
    if as_json:
        print_json(losses_document(sheet))
    elif sheet.parts:
        click.echo(f"{sheet.site}, kWh; expected = measured + findings + notes + gaps + unexplained")
        click.echo("\n".join(["", *aligned(losses_rows(sheet), right=range(1, 9))]))
        remarks = list(losses_remarks(sheet))
        if remarks:
            click.echo("\n".join(["", *remarks]))
    leave(ctx, fleet)
