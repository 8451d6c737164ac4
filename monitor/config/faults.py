"""Validation errors as sentences that name file, key, value, and what is expected."""

from __future__ import annotations

import difflib
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

_SOURCE_KINDS = ("table", "registers", "modbus_tcp")

_PLAIN = {
    "missing": "missing; expected this key",
    "date_from_datetime_parsing": "expected a date such as 2024-05-02",
    "date_type": "expected a date such as 2024-05-02",
    "date_parsing": "expected a date such as 2024-05-02",
}


def sentences(file: str, error: ValidationError, model: type[BaseModel]) -> list[str]:
    """One line per mistake, in the order of the file's keys."""
    details = error.errors()
    places = [detail["loc"] for detail in details]
    # "Too short" is said of a list whose members were all wrong: the members' own mistakes tell more.
    told = [
        d
        for d in details
        if d["type"] != "too_short" or not any(p[: len(d["loc"])] == d["loc"] and p != d["loc"] for p in places)
    ]
    return [line for detail in told for line in _lines(file, dict(detail), model)]


def _lines(file: str, detail: dict[str, Any], model: type[BaseModel]) -> list[str]:
    loc = _without_tags(detail["loc"])
    key = _dotted(loc)
    kind, message = detail["type"], str(detail["msg"]).removeprefix("Value error, ")
    if kind == "extra_forbidden":
        return [f"{file}: {key}: unknown key{_nearest(str(loc[-1]), _fields_at(model, detail['loc'][:-1]))}"]
    if kind == "value_error" and not loc:
        return [f"{file}: {line}" for line in message.splitlines()]
    if kind in ("union_tag_not_found", "union_tag_invalid"):
        given = detail["input"].get("kind") if isinstance(detail["input"], dict) else None
        found_kind = "missing" if given is None else repr(given)
        return [f"{file}: {key}.kind: {found_kind}; expected one of {', '.join(_SOURCE_KINDS)}"]
    if kind == "missing":
        return [f"{file}: {key}: {_PLAIN[kind]}"]
    expected = _PLAIN.get(kind, message[:1].lower() + message[1:])
    found = detail.get("input")
    shown = "" if isinstance(found, dict | list) else f" = {found!r}"
    hint = ""
    if kind == "float_parsing" and isinstance(found, str) and "," in found:
        hint = " (write a decimal point, without quotes)"
    return [f"{file}: {key}{shown}: {expected}{hint}"]


def _without_tags(loc: tuple[str | int, ...]) -> tuple[str | int, ...]:
    """Leave out the kind of a source, which the library names between the source's number and the key."""
    return tuple(part for i, part in enumerate(loc) if not (part in _SOURCE_KINDS and i == 2 and loc[0] == "source"))


def _dotted(loc: tuple[str | int, ...]) -> str:
    text = ""
    for part in loc:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def _nearest(key: str, known: list[str]) -> str:
    near = difflib.get_close_matches(key, known, n=1, cutoff=0.6)
    if near:
        return f"; did you mean {near[0]}?"
    return f"; known here: {', '.join(known)}" if known else ""


def _fields_at(model: Any, loc: tuple[str | int, ...]) -> list[str]:
    """Names of the keys that a model knows at a place."""
    for part in loc:
        model = _step(model, part)
    return sorted({name for option in _models(model) for name in option.model_fields})


def _step(annotation: Any, part: str | int) -> Any:
    if isinstance(part, int):
        inner = [a for a in get_args(annotation) if a is not Ellipsis]
        return inner[0] if inner else annotation
    options = _models(annotation)
    tagged = [m for m in options if "kind" in m.model_fields and part in get_args(m.model_fields["kind"].annotation)]
    if tagged and part not in {n for m in tagged for n in m.model_fields if n != part}:
        return tagged[0]
    for option in options:
        if part in option.model_fields:
            return option.model_fields[str(part)].annotation
    return annotation


def _models(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    origin = get_origin(annotation)
    if origin is tuple or origin is None and not get_args(annotation):
        return []
    args = get_args(annotation)
    if origin is Union or args:
        return [m for a in args for m in _models(a)]
    return []
