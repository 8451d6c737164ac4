"""Number cells: missing markers, the decimal mark of a file, and never a silent thousands separator."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ingest.readings import Mask, Values

Mark = Literal[".", ",", "?"]  # "?": commas, and nothing in the file that tells what they are

MISSING = (
    "", "-", "--", "---", "n/a", "N/A", "NA", "#N/A", "NaN", "nan", "NAN", "null", "NULL", "Null", "none", "None",
)  # fmt: skip
_NUMBER = {
    mark: rf"^[+-]?([0-9]+({re.escape(point)}[0-9]*)?|{re.escape(point)}[0-9]+)([eE][+-]?[0-9]+)?$"
    for mark, point in ((".", "."), (",", ","))
}
_GROUP_MARKS = {" ": " \u00a0\u202f", "'": "'\u2019"}  # other characters that print the same
_WHOLE = r"^[+-]?[0-9]+$"
_THOUSANDS = {".": r"^[+-]?[1-9][0-9]{0,2}\.[0-9]{3}$", ",": r"^[+-]?[1-9][0-9]{0,2},[0-9]{3}$"}


@dataclass(frozen=True, slots=True)
class Notation:
    """How a file writes numbers: its decimal mark, what stands between thousands (mostly nothing), and its gaps."""

    mark: Mark
    thousands: str | None = None
    missing: tuple[str, ...] = MISSING

    @property
    def grouped(self) -> str | None:
        """A number in groups of three, as a regular expression; None where no mark between them is declared."""
        if self.thousands is None:
            return None
        between = f"[{_GROUP_MARKS.get(self.thousands, self.thousands)}]"
        return rf"^[+-]?[1-9][0-9]{{0,2}}({between}[0-9]{{3}})+({re.escape(self.mark)}[0-9]*)?$"


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
    columns = list(columns)
    if not any(_any(pc.match_substring(column, ",")) for column in columns):
        return "."
    if not any(_any(pc.match_substring(column, ".")) for column in columns):
        return "," if any(_proofs(column, ",") for column in columns) else "?"
    commas, points = (sum(_proofs(column, mark) for column in columns) for mark in (",", "."))
    if commas > points:
        return ","
    return "." if points else "?"


def _proofs(column: Any, mark: str) -> int:
    """How many cells can only be read with a decimal mark."""
    with_mark = pc.utf8_trim_whitespace(column.filter(pc.match_substring(column, mark)))
    plain = pc.match_substring_regex(with_mark, _NUMBER[mark])
    grouped = pc.match_substring_regex(with_mark, _THOUSANDS[mark])
    return int(pc.sum(pc.and_(plain, pc.invert(grouped))).as_py() or 0)


def read_numbers(column: Any, notation: Notation | Mark) -> Numbers:
    """Read a column of texts; a decimal mark alone is a notation without thousands marks."""
    notation = Notation(notation) if isinstance(notation, str) else notation
    column = pc.fill_null(column, "")
    plain = _read_plain(column, notation)
    if plain is not None:
        return Numbers(plain, np.zeros(plain.size, bool))
    column = pc.utf8_trim_whitespace(column)
    good = pc.match_substring_regex(column, _WHOLE if notation.mark == "?" else _NUMBER[notation.mark])
    missing = pc.is_in(column, pa.array(notation.missing))
    if notation.grouped is not None:
        grouped = pc.match_substring_regex(column, notation.grouped)
        good = pc.or_(good, grouped)
        column = pc.if_else(grouped, pc.replace_substring_regex(column, r"[^0-9+\-" + notation.mark + "]", ""), column)
    good = pc.and_(good, pc.invert(missing))
    if notation.mark == ",":
        column = pc.replace_substring(column, ",", ".")
    texts = pc.if_else(good, pc.replace_substring_regex(column, r"^\+", ""), pa.scalar(None, pa.string()))
    values = pc.cast(texts, pa.float64()).to_numpy(zero_copy_only=False).astype(np.float64)
    bad = np.isinf(values) | ~pc.or_(good, missing).to_numpy(zero_copy_only=False)
    return Numbers(np.where(bad, np.nan, values), bad)


def why_no_number(cell: str, notation: Notation) -> str:
    """What is wrong with a cell that `read_numbers` marked bad."""
    mark = notation.mark
    if mark == "?" and re.match(_NUMBER[","], cell):
        return "may be a decimal comma or thousands, and no other number of the file tells; expected a decimal point"
    if notation.thousands is not None and any(
        m in cell for m in _GROUP_MARKS.get(notation.thousands, notation.thousands)
    ):
        return f"not a number in groups of three digits divided by {notation.thousands!r}"
    if "," in cell and "." in cell:
        return "holds a comma and a point; expected a number without thousands separators"
    if mark == "," and re.match(_NUMBER["."], cell):
        return "has a decimal point in a file with decimal commas; expected one of the two throughout"
    if mark == "." and re.match(_NUMBER[","], cell) and "," in cell:
        return "has a comma in a file with decimal points; expected a number without thousands separators"
    return "not a number"


def _read_plain(column: Any, notation: Notation) -> Values | None:
    """A column in which every cell is a plain number or a gap, in one go; None where a closer look is due."""
    if notation.mark == "?" or notation.thousands is not None:
        return None
    gaps = pc.is_in(column, pa.array(notation.missing))
    if notation.mark == ",":
        if _any(pc.match_substring(column, ".")):
            return None
        column = pc.replace_substring(column, ",", ".")
    try:
        values = pc.cast(pc.if_else(gaps, pa.scalar(None, pa.string()), column), pa.float64())
    except pa.ArrowInvalid:
        return None
    known = len(values) - values.null_count
    numbers = values.to_numpy(zero_copy_only=False).astype(np.float64)
    return numbers if np.count_nonzero(np.isfinite(numbers)) == known else None


def _any(mask: Any) -> bool:
    return bool(pc.any(mask).as_py())
