"""Which part of the site a column speaks of: by the ids and numbers in its name, or because there is only one."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace

from ingest.draft.proposal import ColumnDraft, Roof
from ingest.draft.words import Name, plain_words

_SITE_WIDE = ("irradiance", "temperature", "wind")
_OF_STRINGS = ("dc_voltage", "dc_current", "dc_power")


def whose(draft: ColumnDraft, name: Name, roof: Roof | None, *, file: str, beside: Iterable[str]) -> ColumnDraft:
    """The column with its subject, or with the choices; `beside` are the quantities of the file's other columns."""
    if draft.quantity is None or not draft.is_reading:
        return draft
    if draft.quantity.startswith(_SITE_WIDE):
        return replace(draft, of="site")
    if roof is None:
        return replace(draft, missing=(*draft.missing, "of: which part? no site is known (--site ID)"))
    choices = _choices(draft.quantity, roof)
    if not choices:
        return replace(draft, is_reading=False, missing=(), why=("the site file has no part that this could be",))
    if draft.quantity in ("ac_voltage", "ac_frequency") and {"l", "phase"} & set(name.words) and name.numbers:
        return replace(draft, missing=(*draft.missing, "one phase of several: ours holds one voltage of a part"))
    of, why = _pick(choices, name, file, set(beside))
    if of is None:
        return replace(draft, missing=(*draft.missing, f"of: {' or '.join(choices)}"))
    return replace(draft, of=of, why=(*draft.why, why))


def _choices(quantity: str, roof: Roof) -> list[str]:
    inverters = [f"inverter:{i}" for i in roof.inverters]
    generation = [f"meter:{m}" for m, role in roof.meters.items() if role == "generation"]
    grid = [f"meter:{m}" for m, role in roof.meters.items() if role == "grid"]
    if quantity in _OF_STRINGS:
        return [f"string:{s}" for s in roof.strings]
    if quantity in ("ac_power", "ac_energy"):
        return inverters + generation
    if quantity in ("ac_voltage", "ac_frequency"):
        return inverters + generation + grid
    if quantity.startswith(("import_", "export_")):
        return grid
    if quantity == "status":
        return inverters
    part = quantity.split("_")[0]
    return [part] if part in roof.parts else []


def _pick(choices: Sequence[str], name: Name, file: str, beside: set[str]) -> tuple[str | None, str]:
    """One of the choices and why; None when several may be meant."""
    spoken = [c for c in choices if _speaks_of(name.text, c)]
    if len(spoken) == 1:
        return spoken[0], "its id stands in the name"
    likely, why = _by_kind(choices, name, file, beside)
    if len(name.numbers) == 1:
        numbered = [c for c in likely if _number(c) == name.numbers[0]]
        if len(numbered) == 1:
            return numbered[0], f"number {name.numbers[0]} in the name"
    if name.numbers and name.numbers != (1,):
        return None, ""
    in_file = [c for c in likely if _speaks_of(file, c)]
    if len(in_file) == 1:
        return in_file[0], "its id stands in the file's name"
    return (likely[0], why or "the only one") if len(likely) == 1 else (None, "")


def _by_kind(choices: Sequence[str], name: Name, file: str, beside: set[str]) -> tuple[list[str], str]:
    """Only the inverters, or only the meters, where the name, the file or the columns beside speak of them."""
    of_inverters = [c for c in choices if c.startswith("inverter:")]
    of_meters = [c for c in choices if c.startswith("meter:")]
    if not of_inverters or not of_meters:
        return list(choices), ""
    words = set(plain_words(file))
    in_file = [bool(words & {_letters(c) for c in kind}) for kind in (of_inverters, of_meters)]
    if "meter" in name.says:
        return of_meters, "a meter by its name"
    if "inverter" in name.says:
        return of_inverters, "an inverter by its name"
    if in_file == [True, False]:
        return of_inverters, "an inverter by the file's name"
    if in_file == [False, True]:
        return of_meters, "a meter by the file's name"
    if beside & set(_OF_STRINGS):
        return of_inverters, "beside it stands the DC side, which an inverter knows"
    return list(choices), ""


def _letters(subject: str) -> str:
    """The letters that an id begins with."""
    match = re.match(r"[a-z]+", subject.split(":")[-1].casefold())
    return match[0] if match else ""


def _speaks_of(text: str, subject: str) -> bool:
    """Whether the subject's id stands in a text as a word of its own."""
    wanted = re.escape(subject.split(":")[-1])
    return re.search(rf"(?<![A-Za-z0-9]){wanted}(?![A-Za-z0-9])", text, re.IGNORECASE) is not None


def _number(subject: str) -> int | None:
    match = re.search(r"(\d+)$", subject)
    return int(match[1]) if match else None
