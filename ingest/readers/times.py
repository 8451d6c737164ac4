"""Time cells to epoch seconds: all rows of one fixed width at once, the others one by one."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from ingest.readings import Mask, Seconds, Values
from ingest.sources import EPOCHS, TimeSpec
from ingest.timeline import to_utc, zone_of

FIRST_YEAR, LAST_YEAR = 1990, 2100
_FIRST, _LAST = (int(datetime(year, 1, 1, tzinfo=UTC).timestamp()) for year in (FIRST_YEAR, LAST_YEAR + 1))
_EPOCH = re.compile(r"[0-9]{1,15}(\.[0-9]*)?", re.ASCII)
_WIDTHS = {"%Y": 4, "%m": 2, "%d": 2, "%H": 2, "%I": 2, "%M": 2, "%S": 2, "%y": 2, "%p": 2}
_ISO = re.compile(r"\d{4}-\d\d-\d\d(?P<sep>[T ])\d\d:\d\d(?P<seconds>:\d\d)?(?P<zone>Z|[+-]\d\d:\d\d)?")
_BYTES = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Stamps:
    """Times of all rows in UTC; a row that `why` names has none."""

    utc: Seconds
    why: dict[int, str]
    unsure: int  # rows in a repeated hour with nothing to tell which pass they are of

    def good(self) -> Mask | None:
        """Rows that have a time; None when all have."""
        if not self.why:
            return None
        good = np.ones(self.utc.size, bool)
        good[list(self.why)] = False
        return good

    def notes(self) -> tuple[str, ...]:
        """What a person should know, or nothing."""
        if not self.unsure:
            return ()
        return (
            f"{self.unsure} rows in the repeated hour of autumn, and nothing tells which pass they are of: "
            "taken as the first, or as they follow one another",
        )


def read_times(
    texts: Any,
    spec: TimeSpec,
    *,
    interval_s: int,
    groups: npt.NDArray[np.int64] | None = None,
    registers: Sequence[Values] = (),
) -> Stamps:
    """Read a column of time texts, in the order of the file's rows (`groups` and `registers`: see `to_utc`)."""
    seconds, aware, bad = read_civil(texts, spec)
    why = dict.fromkeys(np.flatnonzero(bad).tolist(), f"not a time; expected {expected_form(spec)}")
    naive = np.flatnonzero(~aware & ~bad)
    if not naive.size:
        return Stamps(seconds, why, 0)
    civil = to_utc(
        seconds[naive],
        zone_of(spec.zone),
        interval_s=interval_s,
        groups=None if groups is None else groups[naive],
        registers=[register[naive] for register in registers],
    )
    seconds[naive] = civil.utc
    skipped = f"does not exist in {spec.zone}: the clocks went forward over it"
    why |= dict.fromkeys(naive[civil.missing].tolist(), skipped)
    return Stamps(seconds, why, int(np.count_nonzero(civil.unsure)))


def read_stamp(text: str, spec: TimeSpec) -> tuple[int, bool] | None:
    """Epoch seconds of one text, and whether it says its own offset from UTC; None if it is no time."""
    text = text.strip()
    if spec.format in EPOCHS:
        return _read_epoch(text, EPOCHS[spec.format])
    if spec.clock is not None and spec.format is None and " " not in text:
        return None  # a date without its clock time is not midnight
    found = _read_moment(text, spec.format)
    if found is None or not FIRST_YEAR <= found.year <= LAST_YEAR:
        return None
    aware = found.tzinfo is not None
    return int((found if aware else found.replace(tzinfo=UTC)).timestamp()), aware


def read_clock(text: str, form: str) -> int | None:
    """Seconds of a clock time from midnight, 24:00 included; None if the text is none."""
    found = _read_moment(text.strip(), form)
    return round((found - datetime(1900, 1, 1)).total_seconds()) if found is not None else None


def expected_form(spec: TimeSpec) -> str:
    """How a time should have looked."""
    if spec.format in EPOCHS:
        name, sample = ("seconds", "1780315200") if EPOCHS[spec.format] == 1 else ("milliseconds", "1780315200000")
        return f"{name} since 1970 such as {sample}"
    if spec.format is not None:
        return f"the form {spec.format}"
    if spec.clock is not None:
        return "an ISO 8601 date such as 2026-03-01 and a clock time such as 12:00"
    return "ISO 8601 such as 2026-03-01T12:00:00Z"


def _read_moment(text: str, form: str | None) -> datetime | None:
    """A text by its format, also with a.m. and p.m., and with 24:00 for the end of a day."""
    found = _read(text, form)
    if found is None and form is not None and "%p" in form:
        found = _read(re.sub(r"(?i)\b([ap])\.\s?m\.?", r"\1m", text), form)
    if found is None and re.search(r"(?<!\d)24:00", text):
        found = _read(re.sub(r"(?<!\d)24:00", "00:00", text, count=1), form)
        found = found + timedelta(days=1) if found is not None else None
    return found


def _read(text: str, form: str | None) -> datetime | None:
    try:
        return datetime.fromisoformat(text) if form is None else datetime.strptime(text, form)
    except ValueError:
        return None


def _read_epoch(text: str, per_second: int) -> tuple[int, bool] | None:
    if _EPOCH.fullmatch(text) is None:
        return None
    seconds = int(text.partition(".")[0]) // per_second
    return (seconds, True) if _FIRST <= seconds < _LAST else None


def read_civil(texts: Any, spec: TimeSpec) -> tuple[Seconds, Mask, Mask]:
    """Seconds of a column of texts as the clock shows them, rows that say their own offset (UTC then), bad rows."""
    texts = pc.fill_null(texts, "")
    size = len(texts)
    seconds, aware, done = np.zeros(size, np.int64), np.zeros(size, bool), np.zeros(size, bool)
    if spec.format in EPOCHS:
        seconds, done = _epochs(texts, EPOCHS[spec.format])
        aware |= done
    elif size and (tokens := _iso_tokens(texts[0].as_py()) if spec.format is None else _tokens(spec.format)):
        rows, matrix = _same_width(texts, len(tokens))
        values, ok = _fixed(matrix, tokens)
        seconds[rows], done[rows] = values, ok
        aware[rows] = ok & (spec.format is None and tokens[-1] in ("%z", "Z"))
    rest = np.flatnonzero(~done)
    if rest.size:
        odd = texts.take(pa.array(rest)).to_pylist()
        known = {text: read_stamp(text, spec) for text in set(odd)}
        for row, text in zip(rest.tolist(), odd, strict=True):
            found = known[text]
            if found is not None:
                seconds[row], aware[row], done[row] = found[0], found[1], True
    return seconds, aware, ~done


def _epochs(texts: Any, per_second: int) -> tuple[Seconds, Mask]:
    """Whole numbers that count from 1970; the others are left to a closer look."""
    whole = pc.match_substring_regex(texts, "^[0-9]{1,15}$")
    numbers = pc.cast(pc.if_else(whole, texts, "0"), pa.int64()).to_numpy(zero_copy_only=False) // per_second
    return numbers, (numbers >= _FIRST) & (numbers < _LAST)


def _tokens(form: str) -> list[str] | None:
    """One token a byte of a fixed-width format; None when its width may vary."""
    tokens: list[str] = []
    for part in re.findall(r"%.|[^%]", form):
        if part in _WIDTHS:
            tokens += [part] * _WIDTHS[part]
        elif part.startswith("%") or not part.isascii():
            return None
        else:
            tokens.append(part)
    return tokens


def _iso_tokens(sample: str) -> list[str] | None:
    match = _ISO.fullmatch(sample)
    if match is None:
        return None
    tokens = _tokens("%Y-%m-%d" + match["sep"] + "%H:%M" + (":%S" if match["seconds"] else "")) or []
    if match["zone"] == "Z":
        return [*tokens, "Z"]
    return tokens + ["%z"] * len(match["zone"] or "")


def _same_width(texts: Any, width: int) -> tuple[npt.NDArray[np.intp], _BYTES]:
    """The rows whose text has a width, and their bytes as a matrix."""
    _, offset_buffer, data_buffer = texts.buffers()
    offsets = np.frombuffer(offset_buffer, np.int32)[texts.offset : texts.offset + len(texts) + 1]
    data = np.frombuffer(data_buffer, np.uint8) if data_buffer is not None else np.zeros(0, np.uint8)
    rows = np.flatnonzero(np.diff(offsets) == width)
    if rows.size == len(texts):
        return rows, data[offsets[0] : offsets[-1]].reshape(-1, width)
    return rows, data[offsets[rows][:, None] + np.arange(width)]


def _fixed(matrix: _BYTES, tokens: list[str]) -> tuple[Seconds, Mask]:
    """Seconds (naive, or UTC where the text has an offset) and which rows are sound."""
    fields = _Fields(matrix, tokens)
    year = fields.number("%Y") if "%Y" in tokens else _full_year(fields.number("%y"))
    month, day = fields.number("%m"), fields.number("%d")
    hour, minute, second = fields.number("%H"), fields.number("%M"), fields.number("%S")
    if "%I" in tokens:
        hour12 = fields.number("%I")
        fields.ok &= (hour12 >= 1) & (hour12 <= 12)
        hour = hour12 % 12 + 12 * fields.afternoon()
    ok = fields.ok & (year >= FIRST_YEAR) & (year <= LAST_YEAR) & (month >= 1) & (month <= 12)
    ok &= (minute <= 59) & (second <= 59) & (hour <= 23)
    months = np.where(ok, (year - 1970) * 12 + month - 1, 0).astype("datetime64[M]")
    days = months.astype("datetime64[D]") + (day - 1)
    ok &= (day >= 1) & (days.astype("datetime64[M]") == months)
    seconds = days.astype(np.int64) * 86_400 + hour * 3600 + minute * 60 + second - fields.offset()
    return seconds, ok & fields.ok


def _full_year(two_digits: Seconds) -> Seconds:
    return two_digits + np.where(two_digits >= 69, 1900, 2000)  # as strptime does


class _Fields:
    """Numbers of a fixed-width text matrix; `ok` marks the rows that keep to the layout so far."""

    def __init__(self, matrix: _BYTES, tokens: list[str]) -> None:
        self.digits = matrix - np.uint8(ord("0"))
        self.matrix, self.tokens = matrix, tokens
        self.ok = np.ones(len(matrix), bool)
        for place, token in enumerate(tokens):
            if len(token) == 1:
                self.ok &= matrix[:, place] == ord(token)

    def number(self, token: str) -> Seconds:
        """The number at a directive's place; 0 where the layout has none."""
        return self._at([place for place, t in enumerate(self.tokens) if t == token])

    def afternoon(self) -> Mask:
        """True for PM."""
        first, second = (place for place, t in enumerate(self.tokens) if t == "%p")
        letter = self.matrix[:, first] & 0xDF
        self.ok &= ((letter == ord("A")) | (letter == ord("P"))) & (self.matrix[:, second] & 0xDF == ord("M"))
        return np.asarray(letter == ord("P"))

    def offset(self) -> Seconds:
        """Seconds east of UTC of a trailing +HH:MM."""
        places = [place for place, t in enumerate(self.tokens) if t == "%z"]
        if not places:
            return np.zeros(len(self.matrix), np.int64)
        sign, colon = self.matrix[:, places[0]], self.matrix[:, places[3]]
        hours, minutes = self._at(places[1:3]), self._at(places[4:6])
        self.ok &= ((sign == ord("+")) | (sign == ord("-"))) & (colon == ord(":")) & (hours <= 23) & (minutes <= 59)
        east: Seconds = np.where(sign == ord("-"), -1, 1) * (hours * 3600 + minutes * 60)
        return east

    def _at(self, places: list[int]) -> Seconds:
        number = np.zeros(len(self.matrix), np.int64)
        for place in places:
            digit = self.digits[:, place]
            self.ok &= digit <= 9
            number = number * 10 + digit
        return number
