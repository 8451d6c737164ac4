"""A string that works but makes too little all day long: bypassed module parts, missing modules, bad contacts."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from monitor.detect.fallen_sibling import unless_the_sibling_fell
from monitor.detect.mirrored import mirrored
from monitor.detect.night import SiteNight, Verdict
from monitor.detect.short_of_nameplate import FROM_THE_START, short_from_the_start
from monitor.detect.siblings import Member, members, whole_inverters
from monitor.detect.string_signs import chance_of, signs_of
from monitor.detect.string_witnesses import BY_VOLTAGE, channels_of, is_believable
from monitor.detect.weak import CLEAR_BESIDE, Weakness, evidence_of, look, losses_since, still_there, whole_days

# A share of a string is told to so much: planes, dirt and clipping blur it.
_SHARE_MARGIN = 0.06
# What all strings of an inverter lose at once may be the inverter, its reading, or what lies on the roof.
_ALL_ALIKE = 0.6
# What is less likely a string's fault than something else is worth no journey yet.
_MORE_LIKELY_NOT = 0.5


@dataclass(frozen=True, slots=True)
class UnderperformingString:
    """Strings whose power or voltage has dropped for good beside their likes, and inverters all of whose strings have.

    The best witness that there is decides: voltage and power beside a string of the same plane, or of other planes, or
    voltage and cloudless hours beside the neighbours' roofs, and last what sensor, weather and neighbours say. The loss
    must show in every part of the day: what comes and goes with the sun's place is shade.

    References
    ----------
    Electrical signatures of bypassed substrings (voltage down by one part in three times the modules, current
    unchanged) and of soiling and shade: single-diode model of a string, common practice.
    """

    cause: str = "underperforming_string"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict per string that told something tonight."""
        found = [self._judge(night, member) for member in (*members(night), *whole_inverters(night))]
        return [verdict for verdict in found if verdict is not None]

    def _judge(self, night: SiteNight, member: Member) -> Verdict | None:
        subject = reported(night, member)
        finding = night.open_finding(subject, self.cause)
        if finding is not None and finding.evidence.get("shape") != FROM_THE_START:
            whole = finding.evidence.get("whole_days_before")
            losses = partial(
                losses_since, night, member.subject, night.day, whole=None if whole is None else tuple(whole)
            )
            verdict = still_there(night, member.subject, finding, losses)
            return unless_the_sibling_fell(night, member, finding, verdict)
        channels = channels_of(night, member)
        told = any(night.traits.get(member.subject, {}).get(c.trait) is not None for c in channels)
        drops = [w for c in channels if (w := look(night, member.subject, c)) is not None]
        found = [w for w in drops if is_believable(night, member, w)]
        if not found:
            standing = Verdict(subject, self.cause, "healthy") if told else None
            return None if drops else short_from_the_start(night, member) or standing
        weakness = max(found, key=lambda w: w.drop.strength)
        if weakness.channel.trait in ("clear", CLEAR_BESIDE.trait, "outside") and weakness.drop.shape == "ramp":
            return None  # what grows on all that can be compared is dirt or age
        return self._raised(night, member, weakness)

    def _raised(self, night: SiteNight, member: Member, weakness: Weakness) -> Verdict:
        drop = weakness.drop
        signs = signs_of(night, member, weakness)
        chance = chance_of(night, member, weakness, signs)
        whole = whole_days(night, member.subject, weakness.since)
        if whole is not None:
            signs["whole_days_before"] = [round(part, 5) for part in whole]
        rival = "data_fault" if weakness.channel in BY_VOLTAGE else "shading_growth"
        others = {rival: round(1.0 - chance, 2)} if chance < 0.9 else {}
        if _is_measured_below(night, member):
            signs["all_strings_alike"] = True
            chance = min(chance, _ALL_ALIKE)
            others = {"soiling": round(1.0 - chance, 2)}
        elif _strings_of_that_share(night, member, weakness):
            signs["share_of_one_string"] = True
        if mirrored(night, member.subject, drop.since):
            chance, others = 0.5, {"data_fault": 0.5}
        return Verdict(
            reported(night, member),
            self.cause,
            "trouble",
            confidence=chance,
            since=weakness.since,
            losses=losses_since(night, member.subject, weakness.since, drop.mean_size, drop.sigma, whole),
            evidence={**evidence_of(weakness), **signs},
            nights_needed=2,
            others=others,
            level="watch" if chance < _MORE_LIKELY_NOT else None,
        )


def reported(night: SiteNight, member: Member) -> str:
    """The subject that a finding names: an inverter's only string, where nobody measures it."""
    if member.string is None:
        strings = night.site.strings_of(member.inverter)
        if len(strings) == 1:
            return f"string:{strings[0].id}"
    return member.subject


def _is_measured_below(night: SiteNight, member: Member) -> bool:
    """Whether a unit is an inverter of whose strings every one is measured."""
    return member.string is None and any(one.subject == member.subject for one in whole_inverters(night))


def _strings_of_that_share(night: SiteNight, member: Member, weakness: Weakness) -> list[str]:
    """Strings behind an inverter, measured as a whole, whose share of its nameplate is what was lost at once."""
    strings = night.site.strings_of(member.inverter)
    if member.string is not None or len(strings) < 2 or weakness.drop.shape != "step":
        return []
    total, drop = sum(s.rated_w for s in strings), weakness.drop
    margin = max(2.0 * drop.sigma * (1.0 - drop.loss_fraction), _SHARE_MARGIN)
    return [s.id for s in strings if abs(s.rated_w / total - drop.loss_fraction) < margin]
