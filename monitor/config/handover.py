"""`[handover]`: what was measured when a roof was handed over, string by string."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date
from typing import Annotated

from pydantic import Field

from ingest.sources import Identifier, Strict

Volts = Annotated[float, Field(gt=0, le=1500)]
Amps = Annotated[float, Field(gt=0, le=60)]


class HandoverString(Strict):
    """[[handover.string]]: one string's measurements; all but the id may be left out."""

    id: Identifier
    voc_v: Volts | None = None
    isc_a: Amps | None = None
    vmp_v: Volts | None = None
    imp_a: Amps | None = None
    insulation_mohm: float | None = Field(default=None, ge=0)


class Handover(Strict):
    """[handover]: when it was measured, and in which light and at which module temperature."""

    date: date
    irradiance_w_m2: float | None = Field(default=None, gt=0, le=1500)
    module_temperature_c: float | None = Field(default=None, ge=-40, le=100)
    string: tuple[HandoverString, ...] = ()

    def faults(self, strings: Collection[str]) -> list[str]:
        """What is wrong beside a site's strings: one sentence part per mistake."""
        given = [one.id for one in self.string]
        unknown = [
            f"handover.string[{i}].id = {name!r}: expected one that this site has: {', '.join(sorted(strings))}"
            for i, name in enumerate(given)
            if name not in strings
        ]
        twice = sorted({name for name in given if given.count(name) > 1})
        return unknown + [f"handover.string: id {name!r} is used twice; expected every id once" for name in twice]
