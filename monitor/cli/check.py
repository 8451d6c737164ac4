"""`aftercare check`."""

from __future__ import annotations

from pathlib import Path

import click

from ingest.errors import ConfigurationError
from monitor.cli.shell import EXIT_CONFIGURATION, fleet_argument, json_option, note, print_json


@click.command()
@fleet_argument
@json_option
@click.pass_context
def check(ctx: click.Context, fleet: Path, as_json: bool) -> None:
    """Validate the whole configuration and name every mistake at once."""
    from monitor.config import load_fleet

    try:
        loaded = load_fleet(fleet)
        sites, faults = len(loaded.sites), list(loaded.faults)
    except ConfigurationError as error:
        sites, faults = 0, error.faults
    note(*faults)
    if as_json:
        print_json({"schema": 1, "sites": sites, "faults": faults})
    elif not faults:
        click.echo(f"{fleet}: no mistakes; {sites} site{'' if sites == 1 else 's'}")
    else:
        note(f"{fleet}: {len(faults)} mistake{'' if len(faults) == 1 else 's'}; {sites} sites can be used")
    if faults:
        ctx.exit(EXIT_CONFIGURATION)
