"""A site as installed, in plain words: the same sentences on the page and in the terminal."""

from __future__ import annotations

import math

from monitor.model.calibration import Z80
from monitor.model.gain import MIN_CLEAR_DAYS, MIN_DAYS, PATIENCE_DAYS, Gains
from monitor.model.installed import PlaneAsInstalled
from monitor.model.orientation import Orientation, OrientationFit
from monitor.report.baseline import BaselineSheet, Learning, Obstruction, PlaneTold, SkyTold, UnitTold
from monitor.report.templating import capitalize_first
from monitor.report.words import MONTHS, count, day_words, share

_POINTS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
AZIMUTH_TOLD_DEG = 90.0  # half the range of an azimuth that means anything
_SEASONS_APART = 0.12
_FEW_CLEAR = 3


def headline(sheet: BaselineSheet) -> str:
    """Where the baseline stands, in a sentence or two."""
    if sheet.since is None or sheet.until is None:
        return "Nothing is learned yet: no night of this site has been assessed."
    when = (
        f"Learned since {day_words(sheet.since)}, from {count(sheet.nights, 'night', 'nights')} up to "
        f"{day_words(sheet.until)}."
    )
    young = [unit for unit in sheet.units if not unit.gains.complete]
    if not sheet.units:
        return f"{when} Learning: nothing is known of any string or inverter yet."
    if not young:
        return f"{when} The level of each unit is settled."
    verb = "is" if len(young) == 1 else "are"
    return f"{when} Learning: {len(young)} of {count(len(sheet.units), 'unit', 'units')} {verb} not settled yet."


def orientation_words(lies: Orientation) -> str:
    """tilt 35, azimuth 180"""
    return f"tilt {lies[0]:.0f}, azimuth {lies[1] % 360.0:.0f}"


def plane_heading(plane: PlaneTold) -> str:
    """Plane south (strings s1, s2)"""
    names = ", ".join(plane.strings)
    on = f" ({'string' if len(plane.strings) == 1 else 'strings'} {names})" if names else ""
    return f"Plane {plane.plane}{on}"


def fit_words(learned: PlaneAsInstalled | None) -> str:
    """What a plane's power told, with 80 % ranges."""
    if learned is None:
        return "not known yet"
    fit = learned.fit
    if fit is None:
        return "cannot be told: no string or inverter is measured for this plane alone"
    if not math.isfinite(fit.tilt_deg):
        return fit.why_not
    told = (
        f"tilt {fit.tilt_deg:.0f} ({_tilts(fit)}), {_azimuth(fit)}, from {count(fit.days, 'clear day', 'clear days')}"
    )
    return told if fit.trusted else f"{told}; not relied on, because {fit.why_not}"


def used_words(plane: PlaneTold) -> str:
    """What the model uses, and why."""
    if plane.used == plane.stated:
        return f"{orientation_words(plane.used)}, as on paper"
    since = f", by readings up to {day_words(plane.learned.learned_until)}" if plane.learned else ""
    return f"{orientation_words(plane.used)}{since}"


def doubt_words(plane: PlaneTold) -> str:
    """The doubt about the site file as a sentence; empty without one."""
    doubt = plane.learned.doubt if plane.learned else None
    return f"{capitalize_first(doubt)}." if doubt else ""


def gain_range(gains: Gains) -> tuple[float, float]:
    """80 % range of a gain under a clear sky."""
    return gains.clear_sky * math.exp(-Z80 * gains.sigma), gains.clear_sky * math.exp(Z80 * gains.sigma)


def gain_words(unit: UnitTold) -> str:
    """97% (93% to 101%), 99% beside weather data"""
    gains = unit.gains
    low, high = gain_range(gains)
    told = f"{share(gains.clear_sky)} ({share(low)} to {share(high)})"
    # A source that nothing was learned beside has the gain under a clear sky.
    beside = [(gains.sensor, "its sensor"), (gains.weather, "weather data")]
    return ", ".join([told, *(f"{share(gain)} beside {name}" for gain, name in beside if gain != gains.clear_sky)])


def state_words(unit: UnitTold) -> str:
    """Settled since when, or what is still missing."""
    if unit.gains.complete:
        since = unit.learning.frozen_on
        return f"settled since {day_words(since)}" if since else "settled"
    return f"learning: {'; '.join(missing(unit.learning)) or 'settles with the next night'}"


def change_words(unit: UnitTold) -> str:
    """-0.7% a year (-1.2% to -0.2%, 95%), over 4.1 years; empty before three years."""
    change = unit.change
    if change is None:
        return ""
    told = f"{change.per_year:+.1%} a year ({change.low:+.1%} to {change.high:+.1%}, 95%)"
    return f"; its level has changed by {told}, over {change.years:.1f} years"


def missing(learning: Learning) -> list[str]:
    """What a gain still needs before it is settled."""
    if not learning.days:
        return ["no healthy day with readings yet"]
    needs = []
    is_patient = learning.days >= PATIENCE_DAYS and learning.clear >= _FEW_CLEAR
    if learning.clear < MIN_CLEAR_DAYS and not is_patient:
        needs.append(
            f"{learning.clear} of {MIN_CLEAR_DAYS} clear days (where they are rare, {_FEW_CLEAR} among "
            f"{PATIENCE_DAYS} healthy days are enough; {learning.days} so far)"
        )
    for name, days in (("its sensor", learning.sensor), ("weather data", learning.weather)):
        if 0 < days < MIN_DAYS:
            needs.append(f"{days} of {MIN_DAYS} days beside {name}")
    return needs


def sky_words(sky: SkyTold) -> list[str]:
    """What stands before a subject's sky: a sentence or two for each thing, then how much of the sky is known."""
    told = [obstruction_words(thing) for thing in sky.obstructions]
    if not told:
        told = ["Nothing is known to stand before its sky."]
    if len(told) > 1:
        told.append(f"Together they hide {_hidden(sky.hidden)} of the sky's light.")
    return [*told, f"The sun has been seen in {share(sky.seen)} of the places where it comes by over the year."]


def obstruction_words(thing: Obstruction) -> str:
    """Where something stands, how high, when the sun passes behind it, and what it costs."""
    behind = months_words(thing.months)
    passes = f"the sun passes behind it {behind}" if behind else "the sun hardly passes behind it"
    return (
        f"Something stands from azimuth {thing.left_deg:.0f} to {thing.right_deg:.0f} ({_sides(thing)}), "
        f"{_height(thing)}; {passes}; {_through(thing)}; {_hidden(thing.hidden)} of the sky's light is hidden."
    )


def months_words(months: tuple[int, ...]) -> str:
    """in November to February; in June; all year; empty without any"""
    if len(months) == 12:
        return "all year"
    begins = [m for m in months if (m - 2) % 12 + 1 not in months]
    runs = []
    for begin in sorted(begins):
        end = begin
        while end % 12 + 1 in months:
            end = end % 12 + 1
        between = " and " if (end - begin) % 12 == 1 else " to "
        runs.append(MONTHS[begin - 1] if begin == end else f"{MONTHS[begin - 1]}{between}{MONTHS[end - 1]}")
    return f"in {', and '.join(runs)}" if runs else ""


def _tilts(fit: OrientationFit) -> str:
    off = Z80 * fit.tilt_sigma
    return f"{max(fit.tilt_deg - off, 0.0):.0f} to {min(fit.tilt_deg + off, 90.0):.0f}"


def _azimuth(fit: OrientationFit) -> str:
    off = Z80 * fit.azimuth_sigma
    if off >= AZIMUTH_TOLD_DEG:
        return "too level to tell an azimuth"
    low, high = (fit.azimuth_deg - off) % 360.0, (fit.azimuth_deg + off) % 360.0
    return f"azimuth {fit.azimuth_deg % 360.0:.0f} ({low:.0f} to {high:.0f})"


def _sides(thing: Obstruction) -> str:
    """south to south-west"""
    ends = [_POINTS[round(azimuth / 45.0) % 8] for azimuth in (thing.left_deg, thing.right_deg)]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def _height(thing: Obstruction) -> str:
    if thing.high_deg is None:
        return f"at least {thing.low_deg:.0f} degrees high (what is above has not been seen yet)"
    return f"up to {thing.top_deg:.0f} degrees high ({thing.low_deg:.0f} to {thing.high_deg:.0f})"


def _through(thing: Obstruction) -> str:
    if abs(thing.leafy - thing.bare) > _SEASONS_APART:
        return f"about {share(thing.leafy)} of its beam gets through in leaf and {share(thing.bare)} when bare"
    passes = (thing.leafy + thing.bare) / 2.0
    return "hardly any of its beam gets through" if passes < 0.1 else f"about {share(passes)} of its beam gets through"


def _hidden(part: float) -> str:
    return f"about {share(part)}" if part >= 0.01 else "less than 1%"
