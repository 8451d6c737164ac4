"""What the readings say of modules, strings, inverters and meters, and what they cannot say."""

from __future__ import annotations

from monitor.detect.least_loss import USABLE_DAYS, Limit
from monitor.detect.telling.phrases import subject_in_words
from monitor.report.callback.pack import HandoverLine, MeterLine, ModuleLine, Pack, UnitLine
from monitor.report.templating import capitalize_first
from monitor.report.words import count, kwh, share

# Commissioning values differ by less than that from today's when all is well (common practice for strings, from
# memory of IEC 62446-1), beside the doubt of light and temperature; beside each other voltages differ by less.
TOLERANCE = 0.05
BESIDE = {"voltage": 0.03, "current": 0.05}
_WEAK = 0.93
STRINGS_NOTE = (
    "Strings are held against the other units of the roof where there are any: what holds back all of them alike does "
    "not show here, but at the inverter."
)


def module_points(pack: Pack) -> list[tuple[str, str]]:
    """What is known of modules."""
    if not pack.modules:
        return [("Modules", "are not measured one by one here; a weak one shows only as a part of its string.")]
    return [(f"String {line.string}", _modules(line)) for line in pack.modules]


def _modules(line: ModuleLine) -> str:
    weak = [f"{m.partition('/')[2]} ({share(s)})" for m, s in line.shares.items() if s < _WEAK]
    low, high = min(line.shares.values()), max(line.shares.values())
    when = count(line.days, "bright day", "bright days")
    told = f"on {when} its modules made {share(low)} to {share(high)} of the middle one"
    return f"{told}; below {share(_WEAK)}: module {', '.join(weak)}." if weak else f"{told}; none stands out."


def unit_points(pack: Pack, kind: str) -> list[tuple[str, str]]:
    """What is known of strings or inverters (`kind` is string or inverter)."""
    found = [(capitalize_first(u.words), _unit(u)) for u in pack.units if u.subject.startswith(f"{kind}:")]
    if kind == "string":
        silent = [s.id for s in pack.site.string if f"string:{s.id}" not in {u.subject for u in pack.units}]
        if silent:
            names = ", ".join(silent)
            found.append(("Not measured", f"string {names}: its energy is known only as a part of its inverter's."))
    return found


def _unit(unit: UnitLine) -> str:
    if not unit.days or unit.share is None:
        return "no day on which measured and expected energy can be compared."
    told = (
        f"{kwh(unit.measured)} kWh of {kwh(unit.expected)} expected ({kwh(unit.low)} to {kwh(unit.high)}), "
        f"{share(unit.share)}, over {count(unit.days, 'whole day', 'whole days')}"
    )
    return told + (f"; available for {unit.available:.1%} by energy." if unit.available is not None else ".")


def meter_points(pack: Pack) -> list[tuple[str, str]]:
    """What is known of meters."""
    found = [(f"Meter {m.meter}", _meter(m)) for m in pack.meters]
    if not found:
        found.append(
            ("Generation meter", "none is read: what the inverters say of themselves is not checked by anyone.")
        )
    house = pack.house
    if house is not None:
        before = (
            f"; in the same days of the year before {kwh(house.imported_before)} kWh, over "
            f"{count(house.days_before, 'day', 'days')}"
            if house.imported_before is not None
            else ""
        )
        found.append((
            "Grid meter",
            f"{kwh(house.imported)} kWh bought and {kwh(house.exported)} kWh sold, over "
            f"{count(house.days, 'day', 'days')}{before}.",
        ))  # fmt: skip
    return found


def _meter(line: MeterLine) -> str:
    if line.is_only_witness:
        return f"it alone tells of inverter {line.inverter}; nothing can contradict it."
    if not line.days or line.inverter_kwh <= 0.0:
        return f"no whole day on which it and inverter {line.inverter} can be compared."
    return (
        f"{kwh(line.meter_kwh)} kWh where inverter {line.inverter} says {kwh(line.inverter_kwh)}, "
        f"{line.meter_kwh / line.inverter_kwh:.1%}, over {count(line.days, 'whole day', 'whole days')}."
    )


def handover_words(line: HandoverLine) -> str:
    """Whether a string is as it was: by the other strings of its plane, which share its light, or else by itself."""
    if line.is_held:
        return "held back, not weak: voltage raised and current lowered, as by a full inverter or a limit"
    if line.beside is not None:
        if abs(line.beside) <= BESIDE[line.quantity]:
            return "as at handover, beside the plane's other strings"
        if line.beside > 0:
            fallen = line.beside / (1.0 + line.beside)
            return f"the plane's other strings have come down by {fallen:.1%} beside it since handover"
        return f"{-line.beside:.1%} lower than at handover, beside the plane's other strings"
    doubt = (line.high - line.low) / 2.0 / line.today
    if abs(line.change) <= max(TOLERANCE, doubt):
        return "as at handover, within what light and temperature leave open"
    return "lower than at handover" if line.change < 0 else "higher than at handover"


def cannot_say(pack: Pack) -> list[tuple[str, str]]:
    """What this site's data cannot tell, unit by unit, and in general."""
    found = _limits(pack)
    if pack.sources.get("clear_sky", 0.0) > 0.05:
        guessed = share(pack.sources["clear_sky"])
        found.append(("Sky", f"for {guessed} of the energy expected nobody saw the clouds."))
    found.append((
        "From the first day",
        "what was wrong from the first day on is part of the level at which this roof is known to work; it shows "
        "beside the nameplate, above, and not as a loss.",
    ))  # fmt: skip
    found.append(("Quote", "what it assumed of shade, dirt, losses and weather is not in the site file."))
    return found


def _limits(pack: Pack) -> list[tuple[str, str]]:
    """Each unit's limit; modules of a string that are alike stand together."""
    alike: dict[tuple[str, str], list[str]] = {}
    for limit in pack.limits:
        kind, _, name = limit.subject.partition(":")
        key = (f"module:{name.partition('/')[0]}" if kind == "module" else limit.subject, _limit(limit))
        alike.setdefault(key, []).append(limit.subject)
    found = []
    for (group, text), subjects in alike.items():
        words = subject_in_words(pack.site, subjects[0])
        if len(subjects) > 1:
            numbers = ", ".join(subject.rpartition("/")[2] for subject in subjects)
            words = f"modules {numbers} of string {group.partition(':')[2]}"
        found.append((capitalize_first(words), text))
    return found


def _limit(limit: Limit) -> str:
    better = f" It would be less with: {', or '.join(limit.would_help)}." if limit.would_help else ""
    if limit.state == "unseen":
        return f"no lasting loss short of a standstill would show.{better}"
    best = limit.witnesses[0]
    if best.least_loss is None:
        return f"still learning; it can be told from about {best.from_day} on, by {best.name}.{better}"
    return (
        f"a lasting loss below {best.least_loss:.1%} would not show within {USABLE_DAYS} usable days "
        f"(by {best.name}).{better}"
    )


def gaps_words(pack: Pack) -> str:
    """Days that do not count, in a sentence; empty where all do."""
    left = pack.days_asked - pack.days
    if not left:
        return ""
    commissioned = pack.site.site.commissioned
    early = max((commissioned - pack.asked[0]).days, 0)
    late = max((pack.asked[1] - pack.assessed_until).days, 0)
    parts = [f"{count(early, 'day lies', 'days lie')} before commissioning"] if early else []
    parts += [f"{count(late, 'day is', 'days are')} not assessed yet"] if late else []
    other = left - early - late
    parts += [f"of {count(other, 'day', 'days')} nothing was read"] if other > 0 else []
    quoted = " The quote is counted for the other days only." if pack.waterfall.starts_with_quote else ""
    return f"{count(left, 'day does', 'days do')} not count: {', '.join(parts)}.{quoted}"
