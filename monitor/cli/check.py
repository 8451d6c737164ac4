"""`aftercare check`."""

from __future__ import annotations

from pathlib import Path

import click

from ingest.errors import ConfigurationError
from monitor.cli.shell import (
    EXIT_CONFIGURATION,
    Shell,
    fleet_argument,
    json_option,
    leave,
    load,
    note,
    pick_site,
    print_json,
)

_SAMPLE = "Show how this file would be read; nothing is stored."


@click.command()
@fleet_argument
@click.option("--sample", type=click.Path(path_type=Path), metavar="FILE", help=_SAMPLE)
@click.option("--site", "site_id", metavar="ID", help="With --sample: only the sources of this site.")
@click.option("--source", "source_id", metavar="ID", help="With --sample: read the file with this source.")
@json_option
@click.pass_context
def check(
    ctx: click.Context, fleet: Path, sample: Path | None, site_id: str | None, source_id: str | None, as_json: bool
) -> None:
    """Validate the whole configuration and name every mistake at once, or look at one export file.

    With --sample: which source reads the file, how it is written, its first readings, the energy of each day, what
    would be set aside and what looks wrong. Exit code 1 when something would be set aside.
    """
    if sample is not None:
        _sample(ctx, fleet, sample, site_id, source_id, as_json=as_json)
    elif site_id or source_id:
        raise click.UsageError("--site and --source go with --sample FILE.")
    else:
        _configuration(ctx, fleet, as_json=as_json)


def _configuration(ctx: click.Context, fleet: Path, *, as_json: bool) -> None:
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


def _sample(
    ctx: click.Context, folder: Path, file: Path, site_id: str | None, source_id: str | None, *, as_json: bool
) -> None:
    from monitor.cli.sample_text import sample_document, sample_lines
    from monitor.jobs.sampling import claim_of, open_sample, pick_sources, read_sample

    fleet = load(folder)
    if site_id is not None:
        pick_site(fleet, site_id)
    shell: Shell = ctx.obj
    content = open_sample(fleet, file)
    claim = claim_of(fleet, content, pick_sources(fleet, site_id, source_id), asked=source_id is not None)
    if claim is None:
        note(f"{content.name}: no source of this fleet reads it")
        leave(ctx, fleet, set_aside=True)
        return
    sample = read_sample(content, claim, now=shell.clock())
    if as_json:
        print_json(sample_document(sample))
    else:
        for line in sample_lines(sample):
            click.echo(line)
    leave(ctx, fleet, set_aside=not sample.all_read)
