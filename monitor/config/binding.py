"""Whom the models of a SunSpec device speak of, where a site file leaves that to the site."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ingest.sources import NO_STRING, BusSource, RegisterSource, Source, Subjects


@dataclass(frozen=True, slots=True)
class Parts:
    """What of a site a device may speak of: the strings of each inverter in the file's order, the roles of meters."""

    strings: Mapping[str, Sequence[str]]
    meters: Mapping[str, str]


def bind(source: Source, parts: Parts) -> Source:
    """Complete a source's subjects from the site, as far as that leaves no choice.

    Left out, they are the only inverter, its strings and the only meter if that is at the grid. Beside a named
    inverter, inputs that are left out are its strings.
    """
    if not isinstance(source, RegisterSource | BusSource) or source.model is None:
        return source
    subjects = _only(parts) if source.subjects is None else source.subjects
    if subjects is not None and subjects.inverter is not None and not subjects.inputs:
        strings = parts.strings.get(subjects.inverter.removeprefix("inverter:"), ())
        subjects = subjects.model_copy(update={"inputs": tuple(f"string:{one}" for one in strings)})
    return source.model_copy(update={"subjects": subjects})


def binding_faults(source: Source, parts: Parts) -> list[str]:
    """What is wrong with the subjects of a source, after `bind`: one sentence part per mistake."""
    if not isinstance(source, RegisterSource | BusSource) or source.model is None:
        return []
    if source.subjects is None:
        inverters = ", ".join(f"inverter:{one}" for one in parts.strings)
        return [
            f"subjects: missing; this site has {len(parts.strings)} inverters ({inverters}), so expected "
            "subjects = { inverter = 'inverter:ID' }, or meter = 'meter:ID' in it"
        ]
    return [*_foreign_strings(source.subjects, parts), *_undeclared(source.subjects, parts)]


def _only(parts: Parts) -> Subjects | None:
    if len(parts.strings) != 1:
        return None
    meter = next(iter(parts.meters)) if len(parts.meters) == 1 else None
    grid = meter is not None and parts.meters[meter] == "grid"
    return Subjects(inverter=f"inverter:{next(iter(parts.strings))}", meter=f"meter:{meter}" if grid else None)


def _foreign_strings(subjects: Subjects, parts: Parts) -> list[str]:
    if subjects.inverter is None:
        return []
    own = parts.strings.get(subjects.inverter.removeprefix("inverter:"))
    known = {one for strings in parts.strings.values() for one in strings}
    named = [one.removeprefix("string:") for one in subjects.inputs if one != NO_STRING]
    return [
        f"subjects.inputs: string:{one} is not on {subjects.inverter}; expected its strings: "
        f"{', '.join(f'string:{s}' for s in own)}"
        for one in named
        if own is not None and one in known and one not in own
    ]


def _undeclared(subjects: Subjects, parts: Parts) -> list[str]:
    role = parts.meters.get(subjects.meter.removeprefix("meter:")) if subjects.meter is not None else None
    if role == "generation" and subjects.generation is None:
        return [
            f"subjects.generation: missing; {subjects.meter} is a generation meter, so expected 'export' or 'import': "
            "the one of its two registers that counts what is made"
        ]
    if role == "grid" and subjects.generation is not None:
        return [f"subjects.generation: {subjects.meter} is a grid meter; expected no such key"]
    return []
