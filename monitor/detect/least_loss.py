"""What cannot be seen: the least lasting loss of each unit that its own data would reveal, and what would help."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

import numpy as np

from ingest.sources import points_of
from monitor.config.models import Site, String
from monitor.detect.change import Noise, learn_noise
from monitor.detect.string_witnesses import HAZE_DAYS, PEER, ROOF, ROOF_DULL, VOLT, VOLT_ROOF
from monitor.detect.underperforming_module import PEER as MODULE_PEER
from monitor.detect.weak import CLEAR, LEARNING_DAYS, Channel, outside_channel_of
from monitor.model.history import SiteHistory

State = Literal["watched", "learning", "unseen"]

USABLE_DAYS = 30
# A trait of which nothing came in so many nights is none that this site gives.
_PATIENCE = 60
# A drop is looked for on days that come one in so many, or it is not one of the coming weeks.
_LEAST_RATE = 1.0 / 15.0
_MONTH = 30.0
WITNESSES = {
    "volt": "voltage of a sibling string",
    "volt_roof": "voltage of strings on other planes",
    "peer_mid": "power of a sibling",
    "roof_dull": "dull light on other planes",
    "roof": "power of other planes",
    "clear": "cloudless hours",
    "outside": "sensor, weather or neighbours",
}
WITNESS_OF_MODULES = "power of the other modules"


@dataclass(frozen=True, slots=True)
class Witness:
    """One trait of a unit: how small a lasting loss (0 to 1) it reveals within 30 usable days.

    `calendar_days` is how long those take; `least_loss` is None while it is learning (until `from_day`).
    """

    name: str
    least_loss: float | None
    calendar_days: int | None
    from_day: date | None = None


@dataclass(frozen=True, slots=True)
class Limit:
    """What a unit's data would reveal: the best witness first, and what would make the least loss smaller."""

    subject: str
    state: State
    witnesses: tuple[Witness, ...]
    would_help: tuple[str, ...]


def least_losses(site: Site, history: SiteHistory, day: date) -> list[Limit]:
    """The limit of every string, of inverters whose strings nobody measures, and of modules with their own electronics.

    Parameters
    ----------
    site : Site
        Its file: who could be compared with whom.
    history : SiteHistory
        Traits of the nights up to `day`.
    day : date
        The last assessed local day.

    Returns
    -------
    list of Limit
        In the order of the site file.

    Notes
    -----
    A drop is believed from a size of `strength` standard errors of the difference of the means before and after it,
    the same as the detectors': `Noise.variance` with `Noise.reach` usable days before and 30 after, noise learned from
    the days without an open finding.
    """
    measured = [s for s in site.string if history.series(f"string:{s.id}", "measured_kwh")[0].size]
    found = [_string(site, history, string, day) for string in measured]
    watched = {s.inverter for s in measured}
    for inverter in site.inverter:
        if inverter.id not in watched and site.strings_of(inverter.id):
            found.append(_inverter(site, history, f"inverter:{inverter.id}", day))
    for string in site.string:
        for number in range(1, string.modules + 1) if string.module_electronics else ():
            module = f"module:{string.id}/{number:02d}"
            found.append(_limit(module, [_witness(history, module, MODULE_PEER, day)], [], day, history))
    return found


def least_size(noise: Noise, channel: Channel, before: int, *, rate: float) -> float:
    """The least drop that is believed after 30 usable days (positive, log units), `rate` usable days a day."""
    months = 0.5 * (before + USABLE_DAYS) / rate / _MONTH
    counts = (np.array([float(before)]), np.array([float(USABLE_DAYS)]))
    sigma = float(np.sqrt(noise.variance(*counts, np.array([months])))[0])
    return max(channel.least_size, channel.strength * sigma)


def _string(site: Site, history: SiteHistory, string: String, day: date) -> Limit:
    subject = f"string:{string.id}"
    outside = outside_channel_of(site)
    if history.series(subject, "peer_mid")[0].size:
        channels: Sequence[Channel] = (VOLT, PEER)
    elif history.series(subject, "roof")[0].size:
        channels = (VOLT_ROOF, ROOF_DULL, ROOF, CLEAR)
    else:
        channels = (CLEAR, outside)
    help_ = _electrical_help(site, history, string)
    if channels[0] is not VOLT:
        help_ += _weather_help(site)
    return _limit(subject, [_witness(history, subject, c, day) for c in channels], help_, day, history)


def _inverter(site: Site, history: SiteHistory, subject: str, day: date) -> Limit:
    strings = site.strings_of(subject.removeprefix("inverter:"))
    help_ = ["log the voltage and current of each of its strings"] if len(strings) > 1 else []
    if not any(m.role == "generation" and m.inverter == subject.removeprefix("inverter:") for m in site.meter):
        help_.append("a second meter, on this inverter alone")
    if history.series(subject, "peer_mid")[0].size:
        channels: Sequence[Channel] = (PEER,)
    elif history.series(subject, "roof")[0].size:
        channels = (ROOF_DULL, ROOF, CLEAR)
    else:
        channels = (CLEAR, outside_channel_of(site))
    help_ += _weather_help(site) if channels[0] is not PEER else []
    return _limit(subject, [_witness(history, subject, c, day) for c in channels], help_, day, history)


def _witness(history: SiteHistory, subject: str, channel: Channel, day: date) -> Witness | None:
    """What one trait reveals; None where the site does not give it, or too seldom."""
    days, values = history.series(subject, channel.trait)
    name = WITNESS_OF_MODULES if channel is MODULE_PEER else WITNESSES[channel.trait]
    if not days.size:
        return None
    recent = days > day.toordinal() - _PATIENCE
    span = min(day.toordinal() - int(days[0]) + 1, _PATIENCE)
    rate = np.count_nonzero(recent) / span
    if rate < _LEAST_RATE:
        return None
    healthy = ~np.isin(days, history.series(subject, "open")[0])
    count = int(np.count_nonzero(healthy))
    if count < LEARNING_DAYS:
        return Witness(name, None, None, day + timedelta(days=int(np.ceil((LEARNING_DAYS - count) / rate))))
    noise = learn_noise(days[healthy], values[healthy], channel.prior)
    size = least_size(noise, channel, min(count, noise.reach), rate=rate)
    calendar = int(np.ceil(USABLE_DAYS / rate))
    if channel is CLEAR and not history.series(subject, "outside")[0].size:
        calendar = max(calendar, HAZE_DAYS)  # nobody else saw the sky: a hazy spell must be waited out
    return Witness(name, 1.0 - float(np.exp(-size)), calendar)


def _limit(
    subject: str, witnesses: Sequence[Witness | None], help_: Sequence[str], day: date, history: SiteHistory
) -> Limit:
    known = sorted((w for w in witnesses if w is not None), key=lambda w: (w.least_loss or 2.0, w.from_day or day))
    if any(w.least_loss is not None for w in known):
        return Limit(subject, "watched", tuple(known), tuple(help_))
    first = history.series("site", "usable")[0]
    young = not first.size or day.toordinal() - int(first[0]) < _PATIENCE
    if known or young:
        begun = date.fromordinal(int(first[0])) if first.size else day
        told = known or [Witness("not yet known", None, None, max(begun + timedelta(days=LEARNING_DAYS), day))]
        return Limit(subject, "learning", tuple(told), tuple(help_))
    return Limit(subject, "unseen", (), tuple(help_))


def _electrical_help(site: Site, history: SiteHistory, string: String) -> list[str]:
    """Voltages, where they are not logged of this string or of those that it could be compared with."""
    if history.series(f"string:{string.id}", "volt")[0].size or string.module_electronics:
        return []
    told = {p.of for source in site.source for p in points_of(source) if p.quantity == "dc_voltage"}
    beside = [f"string:{s.id}" for s in site.string if s.plane == string.plane and s.id != string.id]
    if f"string:{string.id}" not in told and beside:
        return ["log the string's voltage"]
    if beside and not told & set(beside):
        return [f"log the voltage of {beside[0]} too"]
    return []


def _weather_help(site: Site) -> list[str]:
    """A witness of the sky, where the site has none of its own."""
    told = {p.quantity for source in site.source for p in points_of(source) if p.of == "site"}
    if told & {"irradiance_poa", "irradiance_ghi"} or site.services:
        return [] if "irradiance_poa" in told else ["an irradiance sensor in the plane"]
    return ["weather from a service, with three lines of configuration", "an irradiance sensor in the plane"]
