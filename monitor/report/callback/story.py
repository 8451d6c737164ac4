"""The verdict in two sentences."""

from __future__ import annotations

from collections.abc import Callable

from monitor.report.callback.pack import Pack
from monitor.report.callback.steps_told import GROUPS, shows_meter
from monitor.report.callback.verdict import LEAST_SHORT, Kind
from monitor.report.words import day_words, kwh, share, sure_words

_HEADLINES: dict[Kind, str] = {
    "weather": "It is mostly the weather",
    "quote": "It is mostly the quote",
    "shade": "It is mostly shade",
    "fault": "It is mostly a fault",
    "limits": "It is mostly a limit",
    "meter": "It is mostly the meter",
    "cannot_tell": "It cannot be told",
}


def headline(pack: Pack) -> str:
    """The verdict in a few words."""
    if pack.verdict.kind == "use":
        told = "It makes what was quoted" if pack.waterfall.starts_with_quote else "It makes what the weather allows"
        return told if pack.verdict.second is None else f"{told}, but not all that it could"
    return _HEADLINES[pack.verdict.kind]


def verdict_sentences(pack: Pack) -> tuple[str, str]:
    """What the roof made beside what it should have, and why."""
    return _fact(pack), _TOLD[pack.verdict.kind](pack)


def _fact(pack: Pack) -> str:
    fall, (first, last) = pack.waterfall, pack.asked
    start, end = fall.start / 1000.0, fall.end / 1000.0
    when = f"From {day_words(first)} to {day_words(last)}"
    if pack.days < pack.days_asked:
        when += f", on the {pack.days} of {pack.days_asked} days that can be reckoned,"
    where = "the customer's meter shows" if shows_meter(pack) else "the roof made"
    beside = "were quoted for them" if fall.starts_with_quote else "the weather allowed"
    beside = f"{kwh(start)} kWh {beside}" if fall.starts_with_quote else f"the {kwh(start)} kWh that {beside}"
    off = f"{kwh(abs(start - end))} kWh ({share(abs(pack.verdict.short))})"
    way = "less" if end < start else "more"
    joined = f", {off} {way} than {'what was quoted for them: ' + kwh(start) if fall.starts_with_quote else beside}"
    return f"{when} {where} {kwh(end)} kWh{joined}{' kWh' if fall.starts_with_quote else ''}."


def _sure(pack: Pack) -> str:
    return sure_words(pack.verdict.certainty)


def _second(pack: Pack) -> str:
    second = pack.verdict.second
    if second is None:
        return ""
    return f"; next to it, {GROUPS[second]} takes {kwh(-pack.waterfall.group(second) / 1000)} kWh"


def _use(pack: Pack) -> str:
    second, house, end = pack.verdict.second, pack.house, pack.waterfall.end
    if second is not None and end > 0:
        taken = -pack.waterfall.group(second)
        kept = "That keeps the quote" if pack.waterfall.starts_with_quote else "That is what it should make"
        return (
            f"{kept}, {_sure(pack)}, and yet {GROUPS[second]} took {kwh(taken / 1000)} kWh, told below, without which "
            f"it would have made {taken / end:.1%} more."
        )
    grid = f" (the grid meter counted {kwh(house.imported)} kWh bought meanwhile)" if house is not None else ""
    return (
        f"What it makes is therefore not the trouble, {_sure(pack)}: if a bill or an app disappoints, look at how and "
        f"when the energy is used{grid}."
    )


def _weather(pack: Pack) -> str:
    wh = pack.waterfall.group("weather")
    return f"Most of it is the weather, {_sure(pack)}, which took {kwh(-wh / 1000)} kWh{_second(pack)}."


def _quote(pack: Pack) -> str:
    quote = pack.site.site.quoted_kwh_per_year or 0.0
    return (
        f"Most of it is the quote itself, {_sure(pack)}: under the usual sky this roof makes about "
        f"{kwh(pack.year_on_paper)} kWh a year by its nameplate, where {kwh(quote)} were quoted{_second(pack)}."
    )


def _shade(pack: Pack) -> str:
    steps = {s.key: -s.wh / 1000 for s in pack.waterfall.steps if s.group == "shade"}
    old, new = steps.get("installed_shade", 0.0), steps.get("shading_growth", 0.0)
    parts = [f"{kwh(new)} kWh by what has newly come to stand there"] if new else []
    parts += [f"{kwh(old)} kWh by what stood there from the beginning"] if old else []
    return f"Most of it is shade, {_sure(pack)}: {' and '.join(parts)}{_second(pack)}."


def _fault(pack: Pack) -> str:
    steps = [s for s in pack.waterfall.steps if s.group == "fault"]
    worst = min(steps, key=lambda s: s.wh)
    behind = max((pack.finding(name) for name in worst.findings), key=lambda f: f.lost_kwh)
    return f"Most of it is a fault, {_sure(pack)}: {_lower(behind.summary.split('. ')[0].rstrip('.'))}{_second(pack)}."


def _limits(pack: Pack) -> str:
    wh = pack.waterfall.group("limits")
    return (
        f"Most of it is a limit that holds the inverter back, {_sure(pack)}, which took {kwh(-wh / 1000)} kWh and is "
        f"no defect of the roof{_second(pack)}."
    )


def _meter(pack: Pack) -> str:
    wh = pack.waterfall.group("meter")
    return (
        f"Most of it lies between meter and inverter, {_sure(pack)}: the meter shows {kwh(-wh / 1000)} kWh less than "
        f"the inverter says, and only a measurement on site tells which of both is right{_second(pack)}."
    )


def _cannot_tell(pack: Pack) -> str:
    if pack.verdict.short < LEAST_SHORT:
        return f"Whether that holds for the whole of the period cannot be told, because {pack.verdict.why_not}."
    chances = sorted(pack.verdict.chances.items(), key=lambda pair: -pair[1])[:2]
    likely = " or ".join(f"{GROUPS[group]} ({chance:.0%})" for group, chance in chances if chance >= 0.05)
    return f"Why cannot be told, because {pack.verdict.why_not}; the main cause may be {likely or 'anything'}."


_TOLD: dict[Kind, Callable[[Pack], str]] = {
    "weather": _weather,
    "quote": _quote,
    "shade": _shade,
    "fault": _fault,
    "limits": _limits,
    "meter": _meter,
    "use": _use,
    "cannot_tell": _cannot_tell,
}


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
