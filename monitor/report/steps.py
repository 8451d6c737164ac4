"""Advice taken apart for somebody who plans a day: what to look at from the desk, on site, what to take along."""

from __future__ import annotations

import re
from dataclasses import dataclass

from monitor.detect.telling.phrases import ROOF_CAUTION

_SENTENCE = re.compile(r"(?<=[.?!])\s+(?=[A-Z])")
_OPENING = re.compile(r"^(?:First, remotely|Remotely|Check remotely before anything else): ")
_ON_SITE = ("On site: ", "On a visit ")


@dataclass(frozen=True, slots=True)
class Steps:
    """What to do first from the desk, then on site, what to bring; and whether the cautions for roofs apply."""

    remote: str
    on_site: str = ""
    bring: str = ""
    needs_care: bool = False


def steps_of(advice: str) -> Steps:
    """The service team's advice in its parts; nothing of it is lost."""
    needs_care = advice.endswith(ROOF_CAUTION)
    remote: list[str] = []
    on_site: list[str] = []
    bring: list[str] = []
    for sentence in _SENTENCE.split(advice.removesuffix(ROOF_CAUTION).strip()):
        if sentence.startswith("Bring "):
            bring.append(sentence)
        elif on_site or sentence.startswith(_ON_SITE):
            on_site.append(sentence)
        else:
            remote.append(sentence)
    return Steps(
        _begun(_OPENING.sub("", " ".join(remote))), _begun(" ".join(on_site).removeprefix("On site: ")),
        _begun(" ".join(bring).removeprefix("Bring ")), needs_care,
    )  # fmt: skip


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]
