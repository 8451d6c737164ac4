"""One complaint's evidence pack: gathered, and written as page, paper and tables."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

from monitor.config import Fleet, Site
from monitor.looking_back.complaint import gather_pack
from monitor.report.callback.document import tables
from monitor.report.callback.layout import laid_out
from monitor.report.callback.pack import Pack
from monitor.report.callback.page import callback_page
from monitor.report.callback.paper import callback_paper
from monitor.report.callback.steps_told import end_name, start_name, step_name
from monitor.report.callback.story import headline, verdict_sentences
from monitor.store import Store


def read_pack(fleet: Fleet, store: Store, site: Site, first: date, last: date) -> Pack:
    """The evidence on what a site made from `first` to `last`, both included."""
    with store.read() as conn:
        return gather_pack(conn, fleet, site, first, last)


def write_pack(pack: Pack, folder: Path) -> list[Path]:
    """Write the page, the paper and the tables; returns their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    blocks = laid_out(pack)
    texts = {f"{pack.name}-{name}.csv": text for name, text in tables(pack).items()}
    files = {
        f"{pack.name}.html": callback_page(pack, blocks).encode("utf-8"),
        f"{pack.name}.pdf": callback_paper(pack, blocks),
        **{name: text.encode("utf-8") for name, text in texts.items()},
    }
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return [folder / name for name in files]


def pack_rows(pack: Pack) -> list[tuple[str, ...]]:
    """The waterfall as a table for a terminal [kWh], heads first."""
    fall = pack.waterfall
    rows = [("step", "kWh", "80% range", "then at"), (start_name(pack), "", "", f"{fall.start / 1000:.1f}")]
    for step, total in zip(fall.steps, fall.totals(), strict=True):
        between = f"{step.low / 1000:+.1f} to {step.high / 1000:+.1f}" if step.high > step.low else ""
        rows.append((step_name(step), f"{step.wh / 1000:+.1f}", between, f"{total / 1000:.1f}"))
    return [*rows, (end_name(pack), "", "", f"{fall.end / 1000:.1f}")]


def pack_verdict(pack: Pack) -> Iterator[str]:
    """The verdict for a terminal."""
    yield f"{headline(pack)}."
    yield from verdict_sentences(pack)
