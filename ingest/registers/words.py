"""Register words to values: types, word orders, "not implemented" patterns, powers of ten."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ingest.readings import Values

Words = npt.NDArray[np.uint16]
Numbers = npt.NDArray[np.int64]

_DTYPES = {
    "int16": ">i2", "uint16": ">u2", "int32": ">i4", "uint32": ">u4", "int64": ">i8", "uint64": ">u8",
    "float32": ">f4", "float64": ">f8", "acc32": ">u4",
}  # fmt: skip
SMALLEST_POWER, LARGEST_POWER = -10, 10
NO_POWER = -32_768  # a scale factor that is not implemented, as the value then is not


def width(kind: str) -> int:
    """How many registers a value of a type takes."""
    return int(np.dtype(_DTYPES[kind]).itemsize // 2)


def decode_words(words: Words, kind: str, word_order: str = "big") -> Values:
    """Values of a point from its words, shape (polls, words); "not implemented" patterns are NaN.

    Integers have their most negative (signed) or largest (unsigned) pattern as "not implemented", floats any that
    is not finite. An accumulator that stands at zero is not implemented either (SunSpec).
    """
    ordered = words if word_order == "big" else words[:, ::-1]
    raw = np.ascontiguousarray(ordered.astype(">u2")).view(_DTYPES[kind])[:, 0]
    with np.errstate(invalid="ignore"):  # some patterns of a float that is no number are a signal, here as any other
        values = raw.astype(np.float64)
    if raw.dtype.kind == "f":
        return np.where(np.isfinite(values), values, np.nan)
    info = np.iinfo(raw.dtype)
    nothing = raw == (info.min if raw.dtype.kind == "i" else info.max)
    return np.where(nothing | (raw == 0) if kind == "acc32" else nothing, np.nan, values)


def scale_by(values: Values, factor: float) -> Values:
    """Multiply; by a tenth, a hundredth and so on as a division, which gives the decimal number itself."""
    inverse = round(1 / factor) if factor else 0
    if inverse > 1 and abs(1 / factor - inverse) < 1e-9 * inverse:
        return values / inverse
    return values * factor


def scale_by_powers(values: Values, powers: Numbers) -> Values:
    """Each value times ten to its own power; powers outside -10 to 10 give NaN."""
    known = (powers >= SMALLEST_POWER) & (powers <= LARGEST_POWER)
    size = 10.0 ** np.where(known, np.abs(powers), 0)
    return np.where(known, np.where(powers < 0, values / size, values * size), np.nan)
