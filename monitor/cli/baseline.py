"""`aftercare baseline`."""

from __future__ import annotations

from pathlib import Path

import click

from ingest.errors import ConfigurationError
from monitor.cli.shell import json_option, leave, note, opened, pick_site, print_json, split_fleet

_OUT = "Write a page with the sun-path pictures into this folder too."


@click.command()
@click.argument("words", nargs=-1, metavar="FLEET SITE", type=click.Path())
@json_option
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), metavar="FOLDER", help=_OUT)
@click.pass_context
def baseline(ctx: click.Context, words: tuple[str, ...], as_json: bool, out: Path | None) -> None:
    """A roof as it was installed: how its planes lie, at which level its units work, what stands before its sky.

    All of it is learned from the roof's own power, and kept as what later days are held against.
    """
    from monitor.jobs.baselines import read_baseline_sheet
    from monitor.report.baseline_page import as_document, baseline_text, write_baseline_page

    folder, rest = split_fleet(words)
    if len(rest) != 1:
        raise click.UsageError(f"Expected the fleet folder and one SITE; found {' '.join(rest) or 'no SITE'}.")
    with opened(folder) as (fleet, store):
        sheet = read_baseline_sheet(fleet, store, pick_site(fleet, rest[0]))
    if as_json:
        print_json(as_document(sheet))
    else:
        click.echo(baseline_text(sheet), nl=False)
    if sheet.since is None:
        note(f"{sheet.site}: no night is assessed yet; run aftercare assess first")
    if out is not None:
        try:
            note(f"written to {write_baseline_page(sheet, out)}")
        except OSError as error:
            raise ConfigurationError([f"--out {out}: cannot be written: {error.strerror or error}"]) from None
    leave(ctx, fleet)
