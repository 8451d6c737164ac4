"""What is noted of every night, so that later nights can tell what has changed: the table of observers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from monitor.detect.night import SiteNight
from monitor.detect.siblings import observe_siblings

# Traits by subject. Each observer is shown what those before it have seen.
Observer = Callable[[SiteNight], Mapping[str, Mapping[str, float]]]

OBSERVERS: tuple[Observer, ...] = (observe_siblings,)


def observe(night: SiteNight) -> SiteNight:
    """The night with all its traits."""
    for observer in OBSERVERS:
        traits = {subject: dict(kept) for subject, kept in night.traits.items()}
        for subject, seen in observer(night).items():
            traits.setdefault(subject, {}).update(seen)
        night = replace(night, traits=traits)
    return night
