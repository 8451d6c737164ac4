"""`aftercare board`."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.cli.shell import Progress, fleet_argument, leave, note, opened

_OUT = "A new or empty folder, or one with a board in it.  [default: FLEET and the folder of [board], else board]"


@click.command()
@fleet_argument
@click.option("--out", type=click.Path(path_type=Path), metavar="FOLDER", help=_OUT)
@click.pass_context
def board(ctx: click.Context, fleet: Path, out: Path | None) -> None:
    """Write the fleet as pages for a browser: what needs somebody first, and a page a site.

    They work from a disk and behind any web server, and ask the network for nothing. What did not change is left
    alone; pages of sites that left the fleet are deleted.
    """
    from monitor.jobs.board import board_folder, summary, write_board

    with opened(fleet) as (loaded, store), Progress() as progress:
        folder = out if out is not None else board_folder(loaded)
        report = write_board(loaded, store, folder, progress=progress)
    if report is None:
        note("nothing to write: no night is assessed yet; run aftercare assess first")
    else:
        note(*report.failed, summary(report))
        click.echo(folder / "index.html")
    leave(ctx, loaded, set_aside=report is not None and bool(report.failed))
