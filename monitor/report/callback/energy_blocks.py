"""The pack's energies as blocks: the waterfall and the months, each as a picture and as a table."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Iterator

from monitor.report.callback import figures
from monitor.report.callback.blocks import Block, Cell, Grid, Heading, Shown
from monitor.report.callback.pack import Pack
from monitor.report.callback.steps_told import (
    asks_for_action,
    end_evidence,
    end_name,
    evidence,
    start_evidence,
    start_name,
    step_name,
)
from monitor.report.figures import full_png
from monitor.report.words import MONTHS, count, kwh, range_words


def waterfall_blocks(pack: Pack) -> Iterator[Block]:
    """From where it starts to where it ends."""
    fall = pack.waterfall
    yield Heading("Where the energy went")
    rows = [_end(start_name(pack), 0.0, fall.start / 1000, "start")]
    at = fall.start
    for step, total in zip(fall.steps, fall.totals(), strict=True):
        rows.append(
            figures.WaterfallRow(
                label=step_name(step), begin=at / 1000, end=total / 1000, low=step.low / 1000, high=step.high / 1000,
                kind="act" if asks_for_action(pack, step) else "step",
            )
        )  # fmt: skip
        at = total
    rows.append(_end(end_name(pack), 0.0, fall.end / 1000, "end"))
    figure = figures.waterfall_figure(rows, start_label=start_name(pack).lower())
    told = "; ".join(f"{r.label} {_signed(r.end - r.begin)} kWh" for r in rows[1:-1])
    yield Shown("waterfall", full_png(figure), f"{rows[0].label} {kwh(rows[0].end)} kWh; {told}; {rows[-1].label} "
                f"{kwh(rows[-1].end)} kWh.", "Bars are steps, whiskers their 80 % ranges.")  # fmt: skip
    yield Grid(
        f"From {kwh(fall.start / 1000)} to {kwh(fall.end / 1000)} kWh, over {count(fall.days, 'day', 'days')}; the "
        "steps add up to the watt-hour (the files hold them unrounded)",
        ("Step, and what it rests on", "kWh", "80% range", "then at"),
        (
            _end_row(start_name(pack), start_evidence(pack), fall.start),
            *(
                (
                    Cell(step_name(step), evidence(pack, step)), Cell(_signed(step.wh / 1000)),
                    Cell(f"{_signed(step.low / 1000)} to {_signed(step.high / 1000)}" if step.high > step.low else ""),
                    Cell(_wh(total)),
                )
                for step, total in zip(fall.steps, fall.totals(), strict=True)
            ),
            _end_row(end_name(pack), end_evidence(pack), fall.end),
        ),
        numbers=3,
    )  # fmt: skip


def _end_row(name: str, rests_on: str, wh: int) -> tuple[Cell, ...]:
    return Cell(name, rests_on, True), Cell(""), Cell(""), Cell(_wh(wh), strong=True)


def _end(label: str, begin: float, end: float, kind: str) -> figures.WaterfallRow:
    return figures.WaterfallRow(label=label, begin=begin, end=end, low=0.0, high=0.0, kind=kind)


def month_blocks(pack: Pack) -> Iterator[Block]:
    """Calendar months, where there are several."""
    if len(pack.months) < 2:
        return
    yield Heading("Month by month")
    nothing = float("nan")
    bars = [
        figures.MonthBar(
            label=MONTHS[m.first.month - 1][:3] + (f"\n{m.first.year}" if n == 0 or m.first.month == 1 else ""),
            measured=m.measured, expected=m.expected, low=m.low, high=m.high,
            quoted=nothing if m.quoted is None else m.quoted,
        )
        for n, m in enumerate(pack.months)
    ]  # fmt: skip
    worst = min(pack.months, key=lambda m: m.measured - m.expected)
    yield Shown(
        "months", full_png(figures.months_figure(bars)),
        f"Measured beside expected energy of {count(len(bars), 'month', 'months')}; furthest behind is "
        f"{MONTHS[worst.first.month - 1]} {worst.first.year} with {kwh(worst.measured)} of {kwh(worst.expected)} kWh.",
    )  # fmt: skip
    quoted = pack.waterfall.starts_with_quote
    yield Grid(
        "Inverters' energy by calendar month, kWh; expected of the roof as built in the month's weather",
        ("Month", "measured", "expected", *(("quoted",) if quoted else ())),
        tuple(
            (
                Cell(f"{MONTHS[m.first.month - 1]} {m.first.year}", _partial(m.first.year, m.first.month, m.days)),
                Cell(kwh(m.measured)), Cell(kwh(m.expected), range_words(m.low, m.high)),
                *((Cell(kwh(m.quoted or 0.0)),) if quoted else ()),
            )
            for m in pack.months
        ),
        numbers=3 if quoted else 2,
    )  # fmt: skip


def _partial(year: int, month: int, days: int) -> str:
    return "" if days == monthrange(year, month)[1] else count(days, "day", "days")


def _signed(energy: float) -> str:
    """One decimal for every size, so that a column can be added up."""
    text = f"{abs(energy):,.1f}"
    if float(text.replace(",", "")) == 0.0:
        return text
    return f"+{text}" if energy > 0 else f"−{text}"


def _wh(wh: int) -> str:
    return f"{wh / 1000:,.1f}"
