"""Each step of the waterfall in words: its name, and what it rests on."""

from __future__ import annotations

from monitor.detect.finding import Finding
from monitor.model.calibration import Z80
from monitor.report.callback.pack import Pack
from monitor.report.callback.waterfall import Group, Step
from monitor.report.words import count, kwh, share

_NAMES = {
    "weather": "Weather",
    "as_built": "Quote beside roof",
    "installed_shade": "Shade from the start",
    "snow": "Snow",
    "shading_growth": "New shade",
    "failed_string": "Dead string",
    "underperforming_string": "Weak string",
    "underperforming_module": "Weak module",
    "soiling": "Dirt",
    "inverter_outage": "Standstill",
    "grid_voltage_trip": "Grid voltage",
    "clipping": "Inverter's limit",
    "export_limiting": "Export limit",
    "gaps": "Not recorded",
    "meter": "Meter v. inverter",
    "unexplained": "Unexplained",
}
GROUPS: dict[Group, str] = {
    "weather": "the weather",
    "quote": "the quote itself",
    "shade": "shade",
    "fault": "a fault",
    "limits": "limits of inverter or grid",
    "gaps": "energy that was not recorded",
    "meter": "the meter",
    "unexplained": "something that the readings do not explain",
}
_SKY = {
    "sensor": "a sensor in the plane",
    "weather": "weather data of the place",
    "neighbours": "neighbouring roofs",
    "clear_sky": "nobody: a guess from the usual sky",
}


def start_name(pack: Pack) -> str:
    """What the waterfall starts with."""
    return "Quoted" if pack.waterfall.starts_with_quote else "Weather allowed"


def end_name(pack: Pack) -> str:
    """What it ends with."""
    return "On the meter" if shows_meter(pack) else "Measured"


def shows_meter(pack: Pack) -> bool:
    """Whether the end is what a meter of the customer's shows."""
    return any(meter.days or meter.is_only_witness for meter in pack.meters)


def step_name(step: Step) -> str:
    """A step as a short label."""
    return _NAMES.get(step.key, step.key.replace("_", " ").capitalize())


def asks_for_action(pack: Pack, step: Step) -> bool:
    """Whether somebody should act on a step: one of its findings is open, and urgent or worth a visit."""
    known = {f.id: f for f in pack.findings}
    behind = [known[name] for name in step.findings if name in known]
    return any(f.state == "open" and f.level in ("urgent", "visit") for f in behind)


def start_evidence(pack: Pack) -> str:
    """What the start rests on."""
    fall = pack.waterfall
    if not fall.starts_with_quote:
        return (
            "No quote stands in the site file (quoted_kwh_per_year), so this begins with what the weather of these "
            "days allowed a roof that works as this one did when it was new, with nothing before its sky."
        )
    quote = pack.site.site.quoted_kwh_per_year or 0.0
    doubt = f", ±{Z80 * pack.split_relative:.0%} (80%)" if pack.split_relative > 0.005 else ""
    return (
        f"{kwh(quote)} kWh a year by the quote, of which {share(fall.start / 1000 / quote)} belong to these "
        f"{count(pack.days, 'day', 'days')} by the model's typical year of this roof{doubt}; the quote's own months "
        "are not known."
    )


def end_evidence(pack: Pack) -> str:
    """What the end rests on."""
    fall = pack.waterfall
    if fall.end != fall.by_inverter:
        own = kwh(fall.by_inverter / 1000)
        return f"Generation meters where they count whole days, else inverters; the inverters' own sum is {own} kWh."
    return "Generation meters and inverters agree." if shows_meter(pack) else "The inverters' own registers and logs."


def evidence(pack: Pack, step: Step) -> str:
    """What a step rests on, in a sentence or two."""
    makers = {
        "weather": _weather, "as_built": _as_built, "installed_shade": _installed_shade, "gaps": _gaps,
        "meter": _meter, "unexplained": _unexplained,
    }  # fmt: skip
    made = makers.get(step.key)
    if made is not None:
        return made(pack, step)
    behind = [pack.finding(name) for name in step.findings]
    return " ".join(_behind(f) for f in behind) or "Notes of days on which this was seen."


def _behind(finding: Finding) -> str:
    return f"{finding.summary} [{finding.id}]"


def _weather(pack: Pack, step: Step) -> str:
    fall = pack.waterfall
    usual = (fall.start + step.wh) / fall.start if fall.start else 1.0
    told = sorted(pack.sources.items(), key=lambda pair: -pair[1])
    by = "; ".join(f"{_SKY.get(name, name)} {share(part)}" for name, part in told if part >= 0.005)
    return (
        f"The days allowed {share(usual)} of what is usual here. Usual is a clear-sky index of {pack.usual.index:.2f} "
        f"(±{Z80 * pack.usual.sigma:.2f}, 80%), from this site's own days and from what is usual in temperate places. "
        f"Who told of the sky, by energy: {by}."
    )


def _as_built(pack: Pack, step: Step) -> str:
    quote = pack.site.site.quoted_kwh_per_year or 0.0
    levels = ", ".join(f"{u.replace(':', ' ')} {share(g.clear_sky)}" for u, g in pack.gains.items())
    low, high = (pack.year_on_paper * (1 + s * Z80 * pack.usual.relative) for s in (-1, 1))
    return (
        f"By nameplate, orientation and the usual sky the model makes {kwh(pack.year_on_paper)} kWh a year of this "
        f"roof ({kwh(low)} to {kwh(high)}); the quote says {kwh(quote)}. When new it worked at this share of its "
        f"nameplate model: {levels}. What the quote assumed is not known."
    )


def _installed_shade(pack: Pack, step: Step) -> str:
    return (
        "What stood before the sun when the roof was new, seen by its own power and kept as the roof as installed; "
        "the range is a planning value of ±30%. aftercare baseline shows it."
    )


def _gaps(pack: Pack, step: Step) -> str:
    return "Expected while nothing was recorded and no register tells: it may have been made."


def _meter(pack: Pack, step: Step) -> str:
    told = [
        f"meter {m.meter} shows {m.meter_kwh / m.inverter_kwh:.1%} of what inverter {m.inverter} says, over "
        f"{count(m.days, 'whole day', 'whole days')}"
        for m in pack.meters
        if m.days and m.inverter_kwh > 0.0
    ]
    return "; ".join(told).capitalize() + ". Both are readings; which one is right, the readings do not say."


def _unexplained(pack: Pack, step: Step) -> str:
    if step.wh >= 0:
        return "The roof made more than was expected of it; the range is that of what was expected."
    return "No finding, limit or gap explains it; the range is that of what was expected and of the findings."
