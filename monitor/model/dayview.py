"""One site on one local day: what its units made, what they should have made, and what it tells its neighbours."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from ingest.quality import clock_shift_s
from ingest.readings import Mask, Seconds, Values
from ingest.sources import TableSource, points_of
from monitor.config.models import Site
from monitor.model.agreement import in_thousandths
from monitor.model.believing import Belief, belief, believe
from monitor.model.calibration import Outcomes
from monitor.model.combining import Terms, combine
from monitor.model.gain import LEARNED_SIGMA, PRIOR_SIGMA, Gains, clear_ratio, energy_ratio
from monitor.model.history import SiteHistory
from monitor.model.ladder import (
    NEIGHBOUR_SIGMA,
    NEIGHBOUR_SIGMA_PER_KM,
    ROOF_SIGMA,
    Expected,
    Rung,
    RungName,
    Witness,
    clear_sky_rung,
    neighbour_rung,
    own_index,
    roof_rungs,
    weighted_median,
)
from monitor.model.learned_sky import LearnedSky
from monitor.model.own_sky import clear_windows, held, own_sky_rungs, unheard
from monitor.model.physics import Physics, at_index
from monitor.model.shading import shaded_physics, shaded_rung
from monitor.model.span import SiteSpan

# Another plane of the same roof sees another part of the sky.
_OTHER_PLANE_SIGMA = 0.08
# Below this share of the day's expectation with readings, a comparison says little about the day.
_WHOLE_DAY = 0.9


@dataclass(frozen=True, slots=True)
class InTheOpen:
    """A day's tables, gains, and rungs as they came, with nothing before the sky."""

    physics: Physics
    gains: Mapping[str, Gains]
    rungs: tuple[Rung, ...]


@dataclass(frozen=True, slots=True)
class DayView:
    """A site's part of a span on one day, before its neighbours are heard; arrays of T grid intervals.

    `physics`, `rungs` and `gains` are those behind what is known to stand before the sky; `in_the_open` has what they
    would be without.
    """

    span: SiteSpan
    day: date
    physics: Physics
    power_w: Mapping[str, Values]  # measurable strings and inverters; NaN is a gap
    gains: Mapping[str, Gains]  # every modelled string and inverter
    index: Mapping[str, Values]  # clear-sky index that each measurable unit tells
    sky: Values  # the median of these, which is what neighbours are told
    usual_index: float
    experience: Mapping[str, Mapping[RungName, Outcomes]]  # by subject: how earlier expectations came out
    in_the_open: InTheOpen
    rungs: tuple[Rung, ...] = ()  # sensor and weather as they came, but for times that are surely late
    belief: Belief = Belief()  # how far these are believed
    in_thousandths: frozenset[str] = frozenset()  # units whose readings were in kilowatts; they are gaps in `power_w`

    @property
    def site(self) -> Site:
        """The site."""
        return self.span.site

    def part(self, values: Values) -> Values:
        """The day's part of an array over the whole span."""
        return values[self.span.days[self.day]]


@dataclass(frozen=True, slots=True)
class DayExpectation:
    """Expected power of every modelled unit, and the sky state that it mostly rests on (NaN where only guessed)."""

    units: Mapping[str, Expected]
    index: Values
    outside_w: Mapping[str, Values]  # of measurable units, without what their own roof tells; NaN where nobody does


def measurable(site: Site) -> frozenset[str]:
    """Strings and inverters for whose power the site file names readings."""
    given: dict[str, set[str]] = {}
    for source in site.source:
        if isinstance(source, TableSource) and source.long is not None:
            for string in site.string:
                if string.module_electronics:
                    given.setdefault(f"string:{string.id}", set()).add("dc_power")
        for point in points_of(source):
            given.setdefault(point.of, set()).add(point.quantity)
    for meter in site.meter:
        if meter.role == "generation" and meter.inverter is not None and f"meter:{meter.id}" in given:
            given.setdefault(f"inverter:{meter.inverter}", set()).add("ac_energy")
    strings = {
        s
        for s, q in given.items()
        if s.startswith("string:") and (q >= {"dc_voltage", "dc_current"} or "dc_power" in q)
    }
    inverters = {s for s, q in given.items() if s.startswith("inverter:") and q & {"ac_power", "ac_energy"}}
    return frozenset(strings | inverters)


def day_view(span: SiteSpan, day: date, history: SiteHistory) -> DayView:
    """Cut one day out of a span, put before the sky what stands there, and read the sky from the site's own units."""
    site, subjects = span.site, span.subjects()
    skies = history.shading(subjects)
    maps = {subject: sky.sky_map for subject, sky in skies.items()}
    in_the_open = span.physics.part(span.days[day])
    physics = shaded_physics(site, in_the_open, maps)
    learned = {subject: history.gains(subject, day) for subject in subjects}
    gains = {subject: gains_behind(site, subject, skies, learned[subject]) for subject in subjects}
    power: dict[str, Values] = {}
    index: dict[str, Values] = {}
    for subject in sorted(measurable(site) & gains.keys()):
        whole = span.power_w(subject)
        power[subject] = np.full(physics.starts.shape, np.nan) if whole is None else whole[span.days[day]]
        index[subject] = own_index(
            physics, subject, power[subject], gain=gains[subject].clear_sky, rated_w=span.rated_w(subject)
        )
    experience = {subject: history.experience(subject) for subject in power}
    trust = belief(site, span.weather, history, gains)
    open_rungs = tuple(rung.part(span.days[day]) for rung in span.rungs(trust.weather.late_s))
    rungs = tuple(shaded_rung(site, rung, in_the_open, physics, maps) for rung in open_rungs)
    return DayView(
        span, day, physics, power, gains, index, _middle_sky(index, physics.starts.shape), history.usual_index(),
        experience,
        InTheOpen(in_the_open, learned, open_rungs), rungs, trust,
    )  # fmt: skip


def gains_behind(site: Site, subject: str, skies: Mapping[str, LearnedSky], gains: Gains) -> Gains:
    """Gains for use beside shaded tables: by the subject's own map, or by that of the unit it is wired to."""
    if subject in skies:
        return skies[subject].over(gains)
    kind, _, name = subject.partition(":")
    wired = [f"string:{s.id}" for s in site.strings_of(name)] if kind == "inverter" else []
    found = [skies[s].over(gains) for s in wired if s in skies]
    if not found:
        return gains
    open_ones = [gains] * (len(wired) - len(found))
    every = [*found, *open_ones]
    clear, sensor, weather = (
        len(every) / sum(1.0 / getattr(g, name) for g in every) for name in ("clear_sky", "sensor", "weather")
    )
    return Gains(clear, sensor, weather, gains.sigma, gains.complete)


def site_witness(view: DayView, km: float, onto: Seconds) -> Witness:
    """What a site tells a neighbour on the neighbour's grid: the median index of its units, less sure with distance."""
    index = view.sky
    if not np.array_equal(view.physics.starts, onto):  # another time zone
        at = np.searchsorted(view.physics.starts, onto)
        inside = np.isin(onto, view.physics.starts)
        index = np.where(inside, index[np.minimum(at, index.size - 1)], np.nan)
    gain_sigma = min((view.gains[u].sigma for u in _tellers(view.index)), default=1.0)
    return Witness(view.site.id, index, float(np.hypot(NEIGHBOUR_SIGMA + NEIGHBOUR_SIGMA_PER_KM * km, gain_sigma)))


def _tellers(index: Mapping[str, Values]) -> list[str]:
    """Of the units that tell a sky those that speak for their site."""
    return [u for u in index if u.startswith("string:")] or list(index)


def _middle_sky(index: Mapping[str, Values], shape: tuple[int, ...]) -> Values:
    told = [index[u] for u in _tellers(index)]
    return weighted_median(np.stack(told), np.ones(len(told))) if told else np.full(shape, np.nan)


def expect(view: DayView, foreign: Sequence[Witness]) -> DayExpectation:
    """Climb the ladder for every modelled unit of a site.

    Parameters
    ----------
    view : DayView
        The site's day.
    foreign : sequence of Witness
        Neighbouring sites, on the same grid.
    """
    own_rungs = believe(view.rungs, view.physics, view.belief)
    fallback = clear_sky_rung(view.physics, view.usual_index, view.span.subjects())
    neighbours = neighbour_rung(view.physics, foreign, view.span.subjects())
    subjects = view.span.subjects()
    roofs = roof_rungs(view.physics, _roof_witnesses(view, subjects))
    told = {s: [r for r in (*own_rungs, roofs.get(s), neighbours) if r is not None] for s in subjects}
    own_sky = _own_sky(view, {s: unheard(view.physics, s, told[s]) for s in subjects})
    rungs = {s: [*told[s], *own_sky.get(s, ()), fallback] for s in subjects}
    terms = {
        subject: Terms(
            gains=view.gains[subject].by_rung(),
            gain_sigma=view.gains[subject].sigma,
            limit_w=view.span.rated_w(subject) * (1.0 if subject.startswith("inverter:") else 1.3),
            experience=view.experience.get(subject, {}),
        )
        for subject in subjects
    }
    found = combine(view.physics, rungs, terms)
    units = {s: one.expected for s, one in found.items()}
    outside = {s: one.outside_w for s, one in found.items() if s in view.power_w}
    return DayExpectation(units, _site_index(view, own_rungs, foreign), outside)


def disbelieve(view: DayView, expectation: DayExpectation, history: SiteHistory) -> DayView:
    """The view without the powers of inverters whose readings are a thousandth of what they should be."""
    off = frozenset(
        s for s in view.power_w if s.startswith("inverter:") and _in_thousandths(view, expectation, history, s)
    )
    if not off:
        return view
    power = {s: np.full(p.shape, np.nan) if s in off else p for s, p in view.power_w.items()}
    return replace(view, power_w=power, in_thousandths=off)


def _in_thousandths(view: DayView, expectation: DayExpectation, history: SiteHistory, subject: str) -> bool:
    expected = expectation.units[subject]
    # Where the day's clouds are only guessed, a cloudless day tells.
    guessed = expected.source == "clear_sky"
    reference = view.gains[subject].clear_sky * view.physics.clear_w(subject) if guessed else expected.power_w
    return in_thousandths(
        view.power_w[subject],
        reference,
        view.span.rated_w(subject),
        known_before=bool(history.nights(subject).last("unit:power")),
    )


def marked_share(view: DayView, expected: Expected, subject: str) -> dict[str, float]:
    """Share of a day's expected energy whose readings have a mark, by mark; those without any are left out."""
    total = float(np.sum(expected.power_w))
    if subject in view.in_thousandths:
        return {"unit": 1.0}
    if total <= 0.0:
        return {}
    kinds = view.span.measured.marked.get(subject, {})
    shares = {
        str(mark.name).lower(): float(np.sum(expected.power_w * view.part(share))) / total
        for mark, share in kinds.items()
    }
    return {kind: share for kind, share in shares.items() if share > 0.0}


def clock_shift(view: DayView, subject: str) -> float | None:
    """How late a unit's readings are stamped on a clear day [s]; None on any other day."""
    return clock_shift_s(view.power_w[subject], view.physics.clear_w(subject), view.physics.starts)


def day_ratios(view: DayView, subject: str) -> dict[str, float | None]:
    """Numbers that a unit's gains are learned from: measured over modelled by rung, with nothing before the sky."""
    power, rated = view.power_w[subject], view.span.rated_w(subject)
    clear_w = view.in_the_open.physics.clear_w(subject)
    ratios: dict[str, float | None] = {"clear_sky": clear_ratio(power, clear_w, rated_w=rated)}
    for rung in view.in_the_open.rungs:
        modelled = rung.power_w[subject]
        ratios[rung.name] = energy_ratio(power, modelled, rated_w=rated)
    return ratios


def deviation(expected: Expected, power_w: Values) -> float | None:
    """ln(measured/expected) of a day in planned sigmas; None where too much is missing or too little was expected."""
    known = ~np.isnan(power_w)
    told, total = float(np.sum(expected.power_w[known])), float(np.sum(expected.power_w))
    measured = float(np.sum(power_w[known]))
    if total <= 0.0 or told < _WHOLE_DAY * total or measured <= 0.0 or expected.sigma <= 0.0:
        return None
    return float(np.log(measured / told) / expected.sigma)


def plane_irradiation_h(view: DayView, index: Values, strings: Sequence[str], where: Mask) -> float:
    """Reference yield [h] of some strings' planes, weighted by their nameplates, over some intervals."""
    chosen = [s for s in view.site.string if s.id in strings]
    rated = sum(s.rated_w for s in chosen)
    plane = sum(s.rated_w * at_index(view.physics.plane_w_m2[s.plane], index) for s in chosen) / rated
    return float(np.nansum(np.asarray(plane)[where]) * 0.25 / 1000.0)


def _roof_witnesses(view: DayView, subjects: Sequence[str]) -> dict[str, list[Witness]]:
    """Other units of the same roof; a string is no witness for its own inverter, nor the other way round."""
    inverter = {s: _inverter_of(view.site, s) for s in {*subjects, *view.index}}
    planes = {s: _planes_of(view.site, s) for s in {*subjects, *view.index}}
    extra = _extra_sigmas(view)
    found: dict[str, list[Witness]] = {}
    for subject in subjects:
        found[subject] = []
        for other, index in view.index.items():
            wired = inverter[other] == inverter[subject]
            if other == subject or (wired and (other.startswith("inverter:") or subject.startswith("inverter:"))):
                continue
            plane_sigma = ROOF_SIGMA if planes[other] == planes[subject] else _OTHER_PLANE_SIGMA
            found[subject].append(Witness(other, index, float(np.hypot(plane_sigma, extra[other]))))
    return found


def _extra_sigmas(view: DayView) -> dict[str, float]:
    """What a roof's witness is less sure by; a learned gain is already in the roof's own uncertainty."""
    return {s: 0.0 if view.gains[s].sigma <= LEARNED_SIGMA else view.gains[s].sigma for s in view.index}


def _own_sky(view: DayView, silent: Mapping[str, Mask]) -> dict[str, list[Rung]]:
    """What the own roof tells where nobody else does: for an inverter its strings, and clear windows of the site."""
    asked = [s for s, where in silent.items() if where.any()]
    if not asked:
        return {}
    extra = _extra_sigmas(view)
    learned = {s: p for s, p in view.power_w.items() if view.gains[s].sigma < PRIOR_SIGMA}
    clear = clear_windows(
        view.physics, learned, {s: view.gains[s].clear_sky for s in learned}, {s: view.span.rated_w(s) for s in learned}
    )
    found = {}
    for subject in asked:
        kind, _, name = subject.partition(":")
        wired = [f"string:{s.id}" for s in view.site.strings_of(name)] if kind == "inverter" else []
        sigma = ROOF_SIGMA if len(_planes_of(view.site, subject)) == 1 else _OTHER_PLANE_SIGMA
        strings = [Witness(s, view.index[s], float(np.hypot(sigma, extra[s]))) for s in wired if s in view.index]
        power = view.power_w.get(subject)
        limited = np.zeros(clear.shape, dtype=bool) if power is None else held(power)
        found[subject] = own_sky_rungs(
            view.physics, subject, silent=silent[subject], strings=strings, clear=clear, limited=limited
        )
    return found


def _site_index(view: DayView, rungs: Sequence[Rung], foreign: Sequence[Witness]) -> Values:
    """The sky state, by the surest source that speaks: sensor, weather, then everybody who saw the sky."""
    index = np.full(view.physics.starts.shape, np.nan)
    own = [Witness(name, values, ROOF_SIGMA) for name, values in view.index.items()]
    everybody = neighbour_rung(view.physics, [*own, *foreign], ())
    for rung in [*rungs, *([everybody] if everybody else [])]:
        index = np.where(np.isnan(index), rung.index, index)
    return index


def _inverter_of(site: Site, subject: str) -> str:
    kind, _, name = subject.partition(":")
    return name if kind == "inverter" else next(s.inverter for s in site.string if s.id == name)


def _planes_of(site: Site, subject: str) -> frozenset[str]:
    kind, _, name = subject.partition(":")
    return frozenset(s.plane for s in site.string if (s.inverter if kind == "inverter" else s.id) == name)
