"""`aftercare yields`."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ingest.errors import ConfigurationError
from monitor.cli.shell import Day, leave, note, opened, pick_site, split_fleet

if TYPE_CHECKING:
    import pandas as pd

    from monitor.config import Fleet, Site
    from monitor.store import Store

ENDINGS = (".csv", ".parquet")
_WEEK = timedelta(days=6)
_FROM = "First local day.  [default: the first with figures; by interval, a week before the last]"
_OUT = "Write here instead: .csv or .parquet by the ending."


@click.command()
@click.argument("words", nargs=-1, metavar="FLEET SITE", type=click.Path())
@click.option("--from", "first", type=Day(), metavar="DATE", help=_FROM)
@click.option("--until", type=Day(), metavar="DATE", help="Last local day.  [default: the last assessed]")
@click.option("--by", type=click.Choice(["day", "interval"]), default="day", show_default=True)
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help=_OUT)
@click.pass_context
def yields(
    ctx: click.Context, words: tuple[str, ...], first: date | None, until: date | None, by: str, out: Path | None
) -> None:
    """Measured and expected energy of every subject of a site [kWh], as a table, CSV or Parquet."""
    folder, rest = split_fleet(words)
    if len(rest) != 1:
        raise click.UsageError(f"Expected the fleet folder and one SITE; found {' '.join(rest) or 'no SITE'}.")
    if out is not None and out.suffix.lower() not in ENDINGS:
        raise click.UsageError(f"--out {out}: expected a file that ends in {' or '.join(ENDINGS)}.")
    if first and until and until < first:
        raise click.UsageError(f"--until {until} lies before --from {first}.")
    with opened(folder) as (fleet, store):
        site = pick_site(fleet, rest[0])
        table = _table(fleet, store, site, by, first, until)
    if table.empty:
        note(f"{site.id}: no figures for these days; run aftercare assess first")
    if out is not None:
        _write(table, out)
        note(f"{len(table)} rows written to {out}")
    elif not table.empty:
        click.echo(table.to_string(index=False, na_rep="-", float_format=lambda x: f"{x:.3f}"))
    leave(ctx, fleet)


def _table(fleet: Fleet, store: Store, site: Site, by: str, first: date | None, until: date | None) -> pd.DataFrame:
    from monitor.looking_back.yields import daily_yields, interval_yields
    from monitor.store.assessed import assessed_until

    with store.read() as conn:
        last = until or assessed_until(conn, site.id)
        if by == "day" or last is None:
            table = daily_yields(conn, site, first, until)
        else:
            table = interval_yields(conn, fleet, site, first or last - _WEEK, last)
    # A column of nothing but gaps is still a column of numbers.
    numbers = [name for name in table if name not in ("date", "time", "subject", "irradiation_source")]
    return table.astype(dict.fromkeys(numbers, "float64"))


def _write(table: pd.DataFrame, out: Path) -> None:
    try:
        if out.suffix.lower() == ".parquet":
            table.to_parquet(out, index=False)
        else:
            table.to_csv(out, index=False)
    except OSError as error:
        raise ConfigurationError([f"--out {out}: cannot be written: {error.strerror or error}"]) from None
