"""`aftercare ingest`."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.shell import Progress, Shell, json_option, leave, note, opened, print_json, split_fleet

if TYPE_CHECKING:
    from monitor.config import Fleet
    from monitor.jobs.ingesting import IngestReport
    from monitor.store import Store


@click.command()
@click.argument("words", nargs=-1, metavar="FLEET [FILE]...", type=click.Path())
@json_option
@click.pass_context
def ingest(ctx: click.Context, words: tuple[str, ...], as_json: bool) -> None:
    """Take new readings of all sources, or only of these files, into the store.

    What cannot be read is set aside with its reason; the same file twice changes nothing.
    """
    from monitor.jobs.ingesting import summary

    folder, files = split_fleet(words)
    with opened(folder) as (fleet, store):
        report = run_pass(fleet, store, ctx.obj, [Path(f) for f in files])
    tell_reasons(report)
    if as_json:
        print_json({"schema": 1, **asdict(report)})
    else:
        click.echo(summary(report))
    leave(ctx, fleet, set_aside=not report.all_taken)


def run_pass(fleet: Fleet, store: Store, shell: Shell, files: list[Path]) -> IngestReport:
    """One pass with progress; a pass over everything is noted as a run of the job."""
    from monitor.jobs.ingesting import ingest_fleet, ingest_noted

    with Progress() as progress:
        if files:
            return ingest_fleet(fleet, store, now=shell.clock(), files=files, progress=progress)
        return ingest_noted(fleet, store, shell.clock, progress=progress)


def tell_reasons(report: IngestReport) -> None:
    """What was set aside, on stderr."""
    note(*report.sources_unread, *report.failed, *report.reasons)
    more = report.set_aside - len(report.reasons)
    if more > 0:
        note(f"and {more} more; aftercare status lists what is set aside")
