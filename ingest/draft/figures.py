"""What the numbers of a column show by themselves: range, course over day and night, register or not."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from ingest.readers.numbers import Notation, decimal_mark, read_numbers
from ingest.readings import Mask, Seconds, Values

_DAY_S = 86_400
_GROUPED = re.compile(
    r"^[+-]?[1-9]\d{0,2}(?P<thousands>[.,' ])\d{3}(?:(?P=thousands)\d{3})*(?!(?P=thousands))(?P<decimal>[.,])\d+$"
)
_LEAST = 8
_NIGHT_SHARE = 0.02
_DRAWN_SHARE, _DRAWN = 0.1, 20.0
_FALLS_OF_A_REGISTER = 0.02
_FALLS_OF_A_COURSE = 0.15


@dataclass(frozen=True, slots=True)
class Figures:
    """The values of a column in the order of the rows, and at what times (UTC as far as it is known)."""

    times: Seconds
    values: Values
    dark: Mask | None  # the sun is well below the horizon; None: nobody knows where the roof is
    bright: Mask | None  # the sun is well above it

    @property
    def lowest(self) -> float:
        """The smallest value."""
        return float(self.values.min())

    @property
    def highest(self) -> float:
        """The largest value."""
        return float(self.values.max())

    @property
    def is_whole(self) -> bool:
        """Every value is a whole number."""
        return bool(np.all(self.values == np.round(self.values)))

    @property
    def steps(self) -> Values:
        """Changes from row to row."""
        return np.diff(self.values)

    @property
    def is_constant(self) -> bool:
        """Never moves."""
        return self.lowest == self.highest

    @property
    def is_register(self) -> bool:
        """Rises over at least a day's light and hardly ever falls: at a reset, a roll-over, or daily at midnight."""
        moves, downs = np.count_nonzero(self.steps), np.count_nonzero(self.steps < 0)
        if moves < _LEAST or self.lowest < 0 or not self._spans_a_day():
            return False
        return bool(downs <= max(_FALLS_OF_A_REGISTER * moves, self._midnights_passed() + 1) and downs * 5 < moves)

    @property
    def hardly_falls(self) -> bool:
        """As a register does, however few rows there are."""
        moves, downs = np.count_nonzero(self.steps), np.count_nonzero(self.steps < 0)
        return bool(self.lowest >= 0 and downs * 5 <= moves)

    @property
    def is_course(self) -> bool:
        """Rises and falls again and again, as powers and the energies of intervals do."""
        moves, downs = np.count_nonzero(self.steps), np.count_nonzero(self.steps < 0)
        return bool(moves >= _LEAST and downs > _FALLS_OF_A_COURSE * moves)

    @property
    def is_dark_at_night(self) -> bool | None:
        """Next to nothing at night and something by day; None when the rows do not tell, as those of a dead roof."""
        if self.dark is None or self.bright is None or min(self.dark.sum(), self.bright.sum()) < _LEAST:
            return None
        # An inverter that draws a few watts at night is dark.
        top, drawn = self.highest, -self.lowest
        night = float(np.quantile(self.values[self.dark], 0.95))
        day = float(np.quantile(self.values[self.bright], 0.75))
        is_dark = night <= _NIGHT_SHARE * top and drawn <= max(_DRAWN_SHARE * top, _DRAWN)
        if day <= _NIGHT_SHARE * top:
            return None if is_dark or self.is_constant else False
        return is_dark

    def typical(self) -> tuple[float, float]:
        """Between which values nine tenths of those that are not zero lie."""
        some = self.values[self.values != 0]
        if not some.size:
            return 0.0, 0.0
        low, high = np.quantile(some, [0.05, 0.95])
        return float(low), float(high)

    def _spans_a_day(self) -> bool:
        return bool(self.times.max() - self.times.min() >= 0.8 * _DAY_S)

    def _midnights_passed(self) -> int:
        return int((self.times.max() - self.times.min()) // _DAY_S)


def read_columns(columns: Sequence[Sequence[str]]) -> tuple[list[Values], Notation]:
    """The numbers of columns of texts and how they are written; NaN where there is none."""
    notation = find_notation(columns)
    return [read_numbers(pa.array(column, pa.string()), notation).values for column in columns], notation


def find_notation(columns: Sequence[Sequence[str]]) -> Notation:
    """The decimal mark, and a mark between thousands where cells with both prove it."""
    both = next((c for column in columns for cell in column if (c := _GROUPED.match(cell)) is not None), None)
    if both is not None:
        return Notation("," if both["decimal"] == "," else ".", both["thousands"])
    return Notation(decimal_mark([pa.array(column, pa.string()) for column in columns]))
