"""A source that has gone silent: nothing is known, which is not the same as nothing being made."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from monitor.detect.night import SiteNight, Verdict, heard_share

_SILENT_SHARE = 0.25
_HEARD_SHARE = 0.75
_NIGHTS = 2
# On days on which an inverter most likely was awake, but might have slept.
_MORE_DULL_NIGHTS = 2


@dataclass(frozen=True, slots=True)
class MissingData:
    """Sources without readings for the better part of two days' light; all sources of a site at once are one trouble.

    Shares are by the light of the hours, so that a gap at night does not count; and a source that only speaks while
    there is power is not missed on a day on which nothing may have been made.
    """

    cause: str = "missing_data"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict per source that has delivered before, and one for the site when all of several are silent."""
        heard = {source: heard_share(night, source) for source in sorted(night.expecting)}
        shares = {source: share for source, share in heard.items() if share is not None}
        silent = {s for s, share in shares.items() if share < _SILENT_SHARE}
        together = len(shares) > 1 and silent == shares.keys()
        verdicts = [self._judge(night, source, share, together=together) for source, share in shares.items()]
        if len(shares) > 1:
            nights = min(night.silent_nights.get(s, 0) for s in shares)
            verdicts.append(self._site(night, nights, silent=together, heard=min(shares.values()) >= _HEARD_SHARE))
        return verdicts

    def _judge(self, night: SiteNight, source: str, share: float, *, together: bool) -> Verdict:
        subject = f"source:{source}"
        if share >= _HEARD_SHARE:
            return Verdict(subject, self.cause, "healthy")
        if share >= _SILENT_SHARE or together:
            return Verdict(subject, self.cause, "unclear")
        return self._trouble(night, subject, night.silent_nights.get(source, 0))

    def _site(self, night: SiteNight, nights: int, *, silent: bool, heard: bool) -> Verdict:
        if silent:
            return self._trouble(night, "site", nights)
        return Verdict("site", self.cause, "healthy" if heard else "unclear")

    def _trouble(self, night: SiteNight, subject: str, nights_before: int) -> Verdict:
        return Verdict(
            subject,
            self.cause,
            "trouble" if nights_before + 1 >= _NIGHTS + (_MORE_DULL_NIGHTS if night.dull else 0) else "unclear",
            confidence=0.99,
            since=night.day - timedelta(days=nights_before),
            evidence={"silent_days": nights_before + 1},
        )
