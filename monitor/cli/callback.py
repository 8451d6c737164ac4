"""`aftercare callback`."""

from __future__ import annotations

import textwrap
from datetime import date
from pathlib import Path

import click

from ingest.errors import ConfigurationError
from monitor.cli.shell import Day, json_option, leave, note, opened, pick_site, print_json, split_fleet
from monitor.cli.tables import aligned

_COLUMNS = 100
_OUT = "Default: FLEET/callbacks; with --json nothing is written unless this is given."


@click.command()
@click.argument("words", nargs=-1, metavar="FLEET SITE", type=click.Path())
@click.option("--from", "first", type=Day(), metavar="DATE", required=True, help="First local day of the complaint.")
@click.option("--until", type=Day(), metavar="DATE", required=True, help="Last local day.")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), metavar="FOLDER", help=_OUT)
@json_option
@click.pass_context
def callback(
    ctx: click.Context, words: tuple[str, ...], first: date, until: date, out: Path | None, as_json: bool
) -> None:
    """The evidence pack for one complaint: "it is not making what you quoted".

    A verdict in two sentences, then step by step from what was quoted to what the customer's meter shows, with what
    proves each step, what the data cannot say, and what to measure on site. Written as a page, a PDF and CSV tables.
    """
    from monitor.jobs.callbacks import pack_rows, pack_verdict, read_pack, write_pack
    from monitor.report.callback.document import as_document

    folder, rest = split_fleet(words)
    if len(rest) != 1:
        raise click.UsageError(f"Expected the fleet folder and one SITE; found {' '.join(rest) or 'no SITE'}.")
    if until < first:
        raise click.UsageError(f"--until {until} lies before --from {first}.")
    with opened(folder) as (fleet, store):
        pack = read_pack(fleet, store, pick_site(fleet, rest[0]), first, until)
    if as_json:
        print_json(as_document(pack))
    else:
        click.echo("\n".join(line for text in pack_verdict(pack) for line in textwrap.wrap(text, _COLUMNS)))
        click.echo("\n".join(["", *aligned(pack_rows(pack), right=(1, 2, 3))]))
    target = out if out is not None or as_json else fleet.folder / "callbacks"
    if target is not None:
        try:
            note(*(f"written to {path}" for path in write_pack(pack, target)))
        except OSError as error:
            raise ConfigurationError([f"--out {target}: cannot be written: {error.strerror or error}"]) from None
    leave(ctx, fleet)
