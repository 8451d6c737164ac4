"""Doubts about nameplates on paper: first levels of strings beside their siblings, of roofs beside the fleet's.

The level of a model without a sensor is known to some tenths, that of two strings on one plane to some per cent. So a
string is doubted beside its siblings, and a whole roof only beside the other roofs of its fleet, whose levels share
what is wrong with sky and model.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence

import numpy as np

from monitor.config.models import Site, String
from monitor.model.middle import median
from monitor.store.baselines import Baseline

# Strings side by side differ by a few per cent when their papers are right; a module is more in all but long strings.
_BESIDE_SIBLINGS = 0.12
# Two strings whose columns are exchanged differ by twice what their nameplates do, within so much.
_AS_IF_EXCHANGED = 0.10
# Roofs differ by their haze, dust and mounting, and by the season in which they were new.
_BESIDE_FLEET, _SCATTERS, _LEAST_ROOFS = 0.15, 3.0, 4
# Without a fleet the model stands alone.
_BESIDE_MODEL = 0.30

Levels = Mapping[str, float]  # by subject: measured over modelled power under a clear sky, when it was new


def nameplate_doubts(sites: Sequence[Site], baselines: Sequence[Baseline], turned: Collection[str]) -> list[str]:
    """A sentence for each plane whose strings differ, and for each roof that differs from the others of its fleet.

    `turned` names sites whose planes are doubted: what lies otherwise than on paper has another level anyway.
    """
    first: dict[str, dict[str, float]] = {}
    for one in baselines:
        if "clear_sky" in one.values:  # in order of epoch; the first one counts
            first.setdefault(one.site, {}).setdefault(one.subject, float(one.values["clear_sky"]))
    roofs = {site.id: level for site in sites if (level := _roof_level(site, first.get(site.id, {}))) is not None}
    found = []
    for site in sites:
        unlike = list(_unlike_siblings(site, first.get(site.id, {})))
        found += [f"{site.id}: {text}" for text in unlike]
        others = [level for name, level in roofs.items() if name != site.id and name not in turned]
        if site.id in roofs and site.id not in turned and not unlike:
            found += [f"{site.id}: {text}" for text in _unlike_fleet(site, roofs[site.id], others)]
    return found


def _unlike_siblings(site: Site, levels: Levels) -> Iterator[str]:
    """The string of each plane whose level is farthest from its siblings', if that is far."""
    for plane in site.plane:
        known = {s.id: levels[f"string:{s.id}"] for s in site.string if s.plane == plane.id and _known(s, levels)}
        if len(known) < 2:
            continue
        beside = {name: median([x for n, x in known.items() if n != name]) for name in known}
        off = {name: float(np.log(known[name] / beside[name])) for name in known}
        # Of two strings the one that gives less is named first.
        name = min(off, key=lambda n: off[n]) if len(known) == 2 else max(off, key=lambda n: abs(off[n]))
        if abs(off[name]) < -np.log(1.0 - _BESIDE_SIBLINGS):
            continue
        string = next(s for s in site.string if s.id == name)
        yield (
            f"string {name}: for its nameplate it has given {_than(off[name])} than {_beside(known, name)} from its "
            f"first weeks on, as if it had {_modules(string, off[name])}{_or_the_other(site, known, name, off[name])}: "
            "check the module counts, or what has been wrong or in the way since the first day"
        )


def _known(string: String, levels: Levels) -> bool:
    return levels.get(f"string:{string.id}", 0.0) > 0.0


def _beside(known: Collection[str], name: str) -> str:
    others = sorted(n for n in known if n != name)
    return f"string {others[0]} on the same plane" if len(others) == 1 else "the other strings of its plane"


def _or_the_other(site: Site, known: Collection[str], name: str, off: float) -> str:
    """Of two strings either may be the one whose papers are wrong."""
    if len(known) != 2:
        return ""
    other = next(s for s in site.string if s.id in known and s.id != name)
    own = next(s for s in site.string if s.id == name)
    exchanged = abs(off - 2.0 * np.log(other.rated_w / own.rated_w)) < _AS_IF_EXCHANGED
    columns = ", or as if their columns were exchanged" if exchanged else ""
    return f" (or {other.id} {_modules(other, -off)}){columns}"


def _unlike_fleet(site: Site, level: float, others: Sequence[float]) -> Iterator[str]:
    if len(others) >= _LEAST_ROOFS:
        usual = median(np.array(others))
        scatter = 1.4826 * median(np.abs(np.log(np.array(others) / usual)))
        limit, beside = max(_BESIDE_FLEET, _SCATTERS * scatter), "than the other roofs of the fleet"
    else:
        usual, limit, beside = 1.0, _BESIDE_MODEL, "than the model expects"
    off = float(np.log(level / usual))
    if abs(off) < limit:
        return
    like = f", as if string {site.string[0].id} had {_modules(site.string[0], off)}" if len(site.string) == 1 else ""
    yield (
        f"for its nameplates it has given {_than(off)} {beside} from its first weeks on{like}: check module counts "
        "and power, or what has been wrong or in the way since the first day"
    )


def _roof_level(site: Site, levels: Levels) -> float | None:
    """Level of all measured strings, or else inverters, by their nameplates."""
    strings = [(s.rated_w, levels[f"string:{s.id}"]) for s in site.string if _known(s, levels)]
    fed = [(sum(s.rated_w for s in site.strings_of(i.id)), levels.get(f"inverter:{i.id}", 0.0)) for i in site.inverter]
    parts = strings or [(rated, level) for rated, level in fed if rated > 0.0 and level > 0.0]
    return sum(rated * level for rated, level in parts) / sum(rated for rated, _ in parts) if parts else None


def _than(off: float) -> str:
    share = float(np.exp(off)) - 1.0
    return f"{abs(share):.0%} {'less' if share < 0.0 else 'more'}"


def _modules(string: String, off: float) -> str:
    like = round(string.modules * float(np.exp(off)))
    return f"{like} modules instead of {string.modules}"
