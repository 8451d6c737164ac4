"""Where detectors explain the same thing, one of them speaks: one trouble, one finding."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace

from ingest.sources import Source, TableSource, subjects_of
from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.night import Verdict
from monitor.detect.table import KINDS

Trouble = tuple[str, str]  # subject, cause
# A finding keeps its cause unless another one is likelier by so much: names do not flap.
_STAYS = 0.15
# Causes that tell of power which is there but too little.
_WEAK = frozenset({"underperforming_string", "underperforming_module", "shading_growth", "soiling"})
_POWER = _WEAK | {"failed_string", "inverter_outage", "grid_voltage_trip"}
_BALANCE = frozenset({"meter_disagreement", "energy_imbalance"})


def settle(site: Site, verdicts: Sequence[Verdict], known: Collection[Finding]) -> list[Verdict]:
    """Take back what another verdict, or an open finding, explains better.

    First of all a subject's causes of one family compete by their chances, the one that an open finding already has
    with a small advantage. Then parents silence what hangs below them (see `EXPLAINS`). What is taken back is neither
    trouble nor a healthy day.
    """
    rivals = _likeliest(verdicts, known)
    healthy = {(v.subject, v.cause) for v in verdicts if v.says == "healthy"}
    troubles = {(v.subject, v.cause) for v in rivals if v.says == "trouble"}
    standing = troubles | {(f.subject, f.cause) for f in known if f.state == "open"}
    troubles |= standing - healthy
    # What lacks, or does not fit, over weeks is explained by what was wrong for weeks, a good day today or not.
    slow = _WEAK | _BALANCE
    return [
        _taken_back(v)
        if v.says == "trouble"
        and any(_explains(site, t, (v.subject, v.cause), troubles) for t in (standing if v.cause in slow else troubles))
        else v
        for v in rivals
    ]


def _likeliest(verdicts: Sequence[Verdict], known: Collection[Finding]) -> list[Verdict]:
    named = {(f.subject, f.cause) for f in known if f.state == "open"}
    confirmed = {
        (f.subject, KINDS[f.cause].family): f.cause for f in known if f.state == "open" and f.verdict == "confirmed"
    }
    best: dict[Trouble, Verdict] = {}

    def chance(v: Verdict) -> float:
        return v.confidence + (_STAYS if (v.subject, v.cause) in named else 0.0)

    for v in verdicts:
        key = (v.subject, KINDS[v.cause].family)
        if confirmed.get(key, v.cause) != v.cause:  # somebody has seen what it is
            continue
        if v.says == "trouble" and (key not in best or chance(v) > chance(best[key])):
            best[key] = v
    winners = {(v.subject, v.cause) for v in best.values()}
    return [_taken_back(v) if v.says == "trouble" and (v.subject, v.cause) not in winners else v for v in verdicts]


def _taken_back(verdict: Verdict) -> Verdict:
    return replace(verdict, says="unclear", losses=())


def _explains(site: Site, parent: Trouble, child: Trouble, troubles: Collection[Trouble]) -> bool:
    rule = EXPLAINS.get(parent[1])
    return parent != child and rule is not None and rule(site, parent[0], child, troubles)


def _outage(site: Site, inverter: str, child: Trouble, troubles: Collection[Trouble]) -> bool:
    """An inverter at a standstill: its strings and modules, its meters, and often its own log, say nothing."""
    subject, cause = child
    if cause == "missing_data":
        return _silenced(site, subject, troubles)
    return (
        cause in _POWER | _BALANCE | {"data_fault"}
        and (subject == "site" or _inverter_of(site, subject) == inverter.removeprefix("inverter:"))
        and not (cause == "failed_string" or subject == inverter and cause == "inverter_outage")
    )


def _silenced(site: Site, source: str, troubles: Collection[Trouble]) -> bool:
    """A source that tells of standing inverters alone is not missing data besides."""
    out = {subject for subject, cause in troubles if cause == "inverter_outage"}
    told = next((_inverters(site, _subjects(site, s)) for s in site.source if f"source:{s.id}" == source), set())
    return bool(told) and told <= out


def _dead_string(site: Site, string: str, child: Trouble, _: Collection[Trouble]) -> bool:
    """A dead string: its modules are dead too, its inverter and the site make less."""
    subject, cause = child
    above = {"site", f"inverter:{_inverter_of(site, string)}"}
    return (
        cause in _WEAK
        and (subject == string or subject in above or _string_of(subject) == string)
        or (cause in ("data_fault", "energy_imbalance") and subject == string)
    )


def _weak_module(site: Site, module: str, child: Trouble, troubles: Collection[Trouble]) -> bool:
    """A weak module: its string and everything above make less by it."""
    subject, cause = child
    string = _string_of(module)
    weak = [s for s, c in troubles if c == "underperforming_module" and _string_of(s) == string]
    modules = next((s.modules for s in site.string if f"string:{s.id}" == string), 0)
    above = {string, f"inverter:{_inverter_of(site, string)}"}
    return cause == "underperforming_string" and subject in above and 3 * len(weak) <= modules


def _weak_string(site: Site, string: str, child: Trouble, _: Collection[Trouble]) -> bool:
    """A weak or newly shaded string: its inverter makes less by it."""
    return child[1] in _WEAK and string.startswith("string:") and child[0] == f"inverter:{_inverter_of(site, string)}"


def _shaded_string(site: Site, string: str, child: Trouble, troubles: Collection[Trouble]) -> bool:
    """New shade on a string: some of its modules make less by it, too."""
    below = child[1] in ("underperforming_module", "shading_growth") and _string_of(child[0]) == string
    return below or _weak_string(site, string, child, troubles)


def _dirty(site: Site, subject: str, child: Trouble, _: Collection[Trouble]) -> bool:
    """Dirt on the whole roof: every unit makes less by it."""
    return subject == "site" and child[0] != "site" and child[1] in ("underperforming_string", "soiling")


def _wrong_readings(site: Site, subject: str, child: Trouble, _: Collection[Trouble]) -> bool:
    """Readings that are wrong: nothing else is concluded from them."""
    touched = {subject, "site", f"inverter:{_inverter_of(site, subject)}"}
    if subject.startswith("source:"):
        touched |= {s for one in site.source if f"source:{one.id}" == subject for s in _subjects(site, one)}
        touched |= {f"inverter:{_inverter_of(site, s)}" for s in set(touched)}
        if child[1] == "energy_imbalance" and any(s.startswith(("inverter:", "meter:")) for s in touched):
            return True  # hour by hour nothing on the site fits what this source tells
    # Strings that nobody measures are told of by their inverter.
    touched |= {f"string:{s.id}" for s in site.string if f"inverter:{s.inverter}" in touched}
    return child[1] in _WEAK | _BALANCE and (child[0] in touched or _string_of(child[0]) in touched)


def _tripping(site: Site, inverter: str, child: Trouble, _: Collection[Trouble]) -> bool:
    """An inverter that the grid throws off again and again: what its strings lack around noon is no shade."""
    return child[1] in _WEAK and (child[0] == "site" or f"inverter:{_inverter_of(site, child[0])}" == inverter)


def _snowed_in(_: Site, __: str, child: Trouble, ___: Collection[Trouble]) -> bool:
    """Snow on the roof: less power is no wonder."""
    return child[1] in _WEAK | _BALANCE


# What a trouble explains: parent's cause to a judge of (site, parent's subject, child, all troubles of the night).
EXPLAINS: dict[str, Callable[[Site, str, Trouble, Collection[Trouble]], bool]] = {
    "inverter_outage": _outage,
    "failed_string": _dead_string,
    "underperforming_module": _weak_module,
    "underperforming_string": _weak_string,
    "shading_growth": _shaded_string,
    "soiling": _dirty,
    "grid_voltage_trip": _tripping,
    "clock_error": _wrong_readings,
    "data_fault": _wrong_readings,
    "snow": _snowed_in,
}


def _subjects(site: Site, source: Source) -> Collection[str]:
    """What a source tells of; a long table tells of the strings with module electronics."""
    if isinstance(source, TableSource) and source.long is not None:
        return [f"string:{s.id}" for s in site.string if s.module_electronics]
    return subjects_of(source)


def _inverters(site: Site, subjects: Collection[str]) -> set[str]:
    """Inverters that some subjects belong to; a subject that belongs to none stands for itself."""
    wired = {f"string:{s.id}": f"inverter:{s.inverter}" for s in site.string}
    return {wired.get(subject, subject) for subject in subjects}


def _string_of(subject: str) -> str:
    """The string of a module; any other subject as it is."""
    return "string:" + subject.removeprefix("module:").rpartition("/")[0] if subject.startswith("module:") else subject


def _inverter_of(site: Site, subject: str) -> str | None:
    """The id of the inverter that a string, module, meter or inverter belongs to."""
    kind, _, name = _string_of(subject).partition(":")
    if kind == "inverter":
        return name
    if kind == "meter":
        return next((m.inverter for m in site.meter if m.id == name), None)
    return next((s.inverter for s in site.string if kind == "string" and s.id == name), None)
