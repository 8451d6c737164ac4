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
_DRAFT = "With --sample: propose a [[source]] for this file, as TOML."
_SITE = "With --sample: only the sources of this site; with --draft: the site that the file is of."


@click.command()
@fleet_argument
@click.option("--sample", type=click.Path(path_type=Path), metavar="FILE", help=_SAMPLE)
@click.option("--site", "site_id", metavar="ID", help=_SITE)
@click.option("--source", "source_id", metavar="ID", help="With --sample: read the file with this source.")
@click.option("--draft", is_flag=True, help=_DRAFT)
@json_option
@click.pass_context
def check(
    ctx: click.Context, fleet: Path, sample: Path | None, site_id: str | None, source_id: str | None, draft: bool,
    as_json: bool,
) -> None:  # fmt: skip
    """Validate the whole configuration and name every mistake at once, or look at one export file.

    With --sample: which source reads the file, how it is written, its first readings, the energy of each day, what
    would be set aside and what looks wrong. Exit code 1 when something would be set aside.

    With --sample and --draft: a first [[source]] for a file that no source reads. Every line says what it rests on;
    lines that the file does not decide are comments that begin with #? and wait for you.
    """
    if sample is None:
        if site_id or source_id or draft:
            raise click.UsageError("--site, --source and --draft go with --sample FILE.")
        _configuration(ctx, fleet, as_json=as_json)
    elif draft:
        if source_id:
            raise click.UsageError("--draft proposes a source and takes no --source.")
        _draft(ctx, fleet, sample, site_id, as_json=as_json)
    else:
        _sample(ctx, fleet, sample, site_id, source_id, as_json=as_json)


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
    from monitor.jobs.sample_file import open_sample
    from monitor.jobs.sampling import claim_of, pick_sources, read_sample

    fleet = load(folder)
    if site_id is not None:
        pick_site(fleet, site_id)
    shell: Shell = ctx.obj
    found = open_sample(fleet, file)
    claim = claim_of(fleet, found, pick_sources(fleet, site_id, source_id), asked=source_id is not None)
    if claim is None:
        note(f"{found.name}: no source of this fleet reads it; --draft proposes one")
        leave(ctx, fleet, set_aside=True)
        return
    sample = read_sample(found, claim, now=shell.clock())
    if as_json:
        print_json(sample_document(sample))
    else:
        for line in sample_lines(sample):
            click.echo(line)
    leave(ctx, fleet, set_aside=not sample.all_read)


def _draft(ctx: click.Context, folder: Path, file: Path, site_id: str | None, *, as_json: bool) -> None:
    from monitor.jobs.drafting import draft_for, site_for, try_draft
    from monitor.jobs.sample_file import open_sample

    fleet = load(folder)
    if site_id is not None:
        pick_site(fleet, site_id)
    shell: Shell = ctx.obj
    found = open_sample(fleet, file)
    site, why = site_for(fleet, found, site_id)
    draft = draft_for(found, site, now=shell.clock())
    notes = [*draft.notes, try_draft(found, draft, site, now=shell.clock())]
    whose = f"{site.id} ({why})" if site is not None else f"unknown: {why}; --site ID tells it"
    if as_json:
        print_json({
            "schema": 1, "file": found.name, "site": None if site is None else site.id, "toml": draft.toml,
            "open_lines": draft.open_lines, "notes": notes,
        })  # fmt: skip
    else:
        click.echo(draft.toml, nl=False)
        lines = "1 line is" if draft.open_lines == 1 else f"{draft.open_lines} lines are"
        note(f"site: {whose}", *notes, f"{lines} left to you" if draft.open_lines else "no line is left open")
    leave(ctx, fleet)
