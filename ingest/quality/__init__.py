"""Quality of readings: what is wrong is marked, with its kind, and nothing is dropped."""

from ingest.quality.days import UnitJump, clock_shift_s, mute_by_balance, unit_factor, unit_jump
from ingest.quality.limits import Limits, Rating, limits_for
from ingest.quality.marks import KINDS, Flags, Mark, MarkCount, Marks
from ingest.quality.table import mark_table

__all__ = [
    "KINDS",
    "Flags",
    "Limits",
    "Mark",
    "MarkCount",
    "Marks",
    "Rating",
    "UnitJump",
    "clock_shift_s",
    "limits_for",
    "mark_table",
    "mute_by_balance",
    "unit_factor",
    "unit_jump",
]
