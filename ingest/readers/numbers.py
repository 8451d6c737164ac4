"""Number cells: missing markers, the decimal mark of a file, and never a silent thousands separator."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ingest.readings import Values
from ingest.timeline import Mask

Mark = Literal[".", ",", "?"]  # "?": commas, and nothing in the file that tells what they are

MISSING = (
    "", "-", "--", "---", "n/a", "N/A", "NA", "#N/A", "NaN", "nan", "NAN", "null", "NULL", "Null", "none", "None",
)  # fmt: skip
_NUMBER = {
    mark: rf"^[+-]?([0-9]+({re.escape(point)}[0-9]*)?|{re.escape(point)}[0-9]+)([eE][+-]?[0-9]+)?$"
    for mark, point in ((".", "."), (",", ","))
}
_WHOLE = r"^[+-]?[0-9]+$"
_THOUSANDS = {".": r"^[+-]?[1-9][0-9]{0,2}\.[0-9]{3}$", ",": r"^[+-]?[1-9][0-9]{0,2},[0-9]{3}$"}


@dataclass(frozen=True, slots=True)
class Numbers:
    """A column as numbers; `bad` marks cells that are neither a number nor a missing marker (NaN here)."""

    values: Values
    bad: Mask


def proves_decimal_comma(cell: str) -> bool:
    """Whether a cell can only be a number with a decimal comma."""
    return re.match(_NUMBER[","], cell) is not None and "," in cell and re.match(_THOUSANDS[","], cell) is None


def decimal_mark(columns: Iterable[Any]) -> Mark:
    """The decimal mark of a file, from all its number columns: what only one reading of a cell allows decides."""
    proofs, commas = {".": 0, ",": 0}, False
    for column in columns:
        column = pc.utf8_trim_whitespace(column)
        commas = commas or _any(pc.match_substring(column, ","))
        for mark in proofs:
            with_mark = column.filter(pc.match_substring(column, mark))
            plain = pc.match_substring_regex(with_mark, _NUMBER[mark])
            grouped = pc.match_substring_regex(with_mark, _THOUSANDS[mark])
            proofs[mark] += pc.sum(pc.and_(plain, pc.invert(grouped))).as_py() or 0
    if not commas:
        return "."
    if proofs[","] > proofs["."]:
        return ","
    return "." if proofs["."] else "?"


def read_numbers(column: Any, mark: Mark) -> Numbers:
    """Read a column of texts."""
    column = pc.utf8_trim_whitespace(pc.fill_null(column, ""))
    good = pc.match_substring_regex(column, _WHOLE if mark == "?" else _NUMBER[mark])
    if mark == ",":
        column = pc.replace_substring(column, ",", ".")
    plain = pc.if_else(good, pc.replace_substring_regex(column, r"^\+", ""), pa.scalar(None, pa.string()))
    values = pc.cast(plain, pa.float64()).to_numpy(zero_copy_only=False).astype(np.float64)
    readable = pc.or_(good, pc.is_in(column, pa.array(MISSING)))
    bad = np.isinf(values) | ~readable.to_numpy(zero_copy_only=False)
    return Numbers(np.where(bad, np.nan, values), bad)


def why_no_number(cell: str, mark: Mark) -> str:
    """What is wrong with a cell that `read_numbers` marked bad."""
    if mark == "?" and re.match(_NUMBER[","], cell):
        return "may be a decimal comma or thousands, and no other number of the file tells; expected a decimal point"
    if "," in cell and "." in cell:
        return "holds a comma and a point; expected a number without thousands separators"
    if mark == "," and re.match(_NUMBER["."], cell):
        return "has a decimal point in a file with decimal commas; expected one of the two throughout"
    if mark == "." and re.match(_NUMBER[","], cell) and "," in cell:
        return "has a comma in a file with decimal points; expected a number without thousands separators"
    return "not a number"


def _any(mask: Any) -> bool:
    return bool(pc.any(mask).as_py())
