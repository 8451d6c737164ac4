"""`aftercare ingest`."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.shell import Progress, Shell, json_option, leave, note, opened, print_json, split_fleet

if TYPE_CHECKING:
    from monitor.config import Fleet
    from monitor.jobs.fetched import FetchReport
    from monitor.jobs.ingesting import IngestReport
    from monitor.jobs.polled import PollReport
    from monitor.store import Store


@click.command()
@click.argument("words", nargs=-1, metavar="FLEET [FILE]...", type=click.Path())
@json_option
@click.pass_context
def ingest(ctx: click.Context, words: tuple[str, ...], as_json: bool) -> None:
    """Take new readings of all sources, or only of these files, into the store.

    Devices on the bus are polled once, and the weather that is due is fetched, unless files are named. What cannot be
    read is set aside with its reason; the same file twice changes nothing.
    """
    from monitor.jobs.ingesting import summary

    folder, files = split_fleet(words)
    with opened(folder) as (fleet, store):
        report = run_pass(fleet, store, ctx.obj, [Path(f) for f in files])
        polls = None if files else poll_devices(fleet, store, ctx.obj)
        weather = None if files else fetch_weather(fleet, store, ctx.obj)
    tell_reasons(report)
    if polls is not None:
        tell_troubles(polls)
    if weather is not None:
        note(*weather.failed)
    if as_json:
        parts = {"polls": polls, "weather": weather}
        told = {name: asdict(part) if part is not None else None for name, part in parts.items()}
        print_json({"schema": 1, **asdict(report), **told})
    else:
        click.echo(summary(report))
        if polls is not None:
            click.echo(poll_summary(polls))
        if weather is not None:
            click.echo(weather_summary(weather))
    done = all(part is None or part.all_taken for part in (report, polls, weather))
    leave(ctx, fleet, set_aside=not done)


def run_pass(fleet: Fleet, store: Store, shell: Shell, files: list[Path]) -> IngestReport:
    """One pass with progress; a pass over everything is noted as a run of the job."""
    from monitor.jobs.ingesting import ingest_fleet, ingest_noted

    with Progress() as progress:
        if files:
            return ingest_fleet(fleet, store, now=shell.clock(), files=files, progress=progress)
        return ingest_noted(fleet, store, shell.clock, progress=progress)


def poll_devices(fleet: Fleet, store: Store, shell: Shell) -> PollReport | None:
    """Poll every device once; None where there are none."""
    if not any(source.kind == "modbus_tcp" for site in fleet.sites for source in site.source):
        return None
    from monitor.jobs.polling import poll_fleet

    with Progress() as progress:
        return poll_fleet(fleet, store, shell.clock, progress=progress)


def fetch_weather(fleet: Fleet, store: Store, shell: Shell) -> FetchReport | None:
    """Fetch the weather that is due; None where no site has a service for it."""
    if not any(source.kind == "weather_service" for site in fleet.sites for source in site.source):
        return None
    from monitor.jobs import fetching

    with Progress() as progress:
        return fetching.fetch_weather(fleet, store, shell.clock, progress=progress)


def weather_summary(weather: FetchReport) -> str:
    """One line about the weather services."""
    from monitor.jobs.fetching import summary

    return summary(weather)


def poll_summary(polls: PollReport) -> str:
    """One line about the polls."""
    from monitor.jobs.polling import summary

    return summary(polls)


def tell_reasons(report: IngestReport) -> None:
    """What was set aside, on stderr, and what is worth knowing of the rest."""
    from monitor.jobs.ingest_report import remarks_told

    note(*report.sources_unread, *report.failed, *report.reasons)
    more = report.set_aside - len(report.reasons)
    if more > 0:
        note(f"and {more} more; aftercare status FLEET --rejects lists them all")
    note(*remarks_told(report))


def tell_troubles(polls: PollReport) -> None:
    """Which devices gave nothing, and what others gave that could not be taken, on stderr."""
    note(*polls.failed, *polls.reasons)
    more = polls.set_aside - len(polls.reasons)
    if more > 0:
        note(f"and {more} more values of devices")
