"""Which reads fetch some registers: few, none longer than a request may be, and no value split between two."""

from __future__ import annotations

from collections.abc import Iterable

MOST_REGISTERS = 125  # of one request (Modbus application protocol)
Read = tuple[int, int]  # first address, count


def merge_reads(spans: Iterable[Read], *, gap: int = 0) -> list[Read]:
    """Reads that cover all spans; registers between two spans are read along where they are at most `gap`."""
    reads: list[Read] = []
    for address, count in sorted(set(spans)):
        if reads:
            first, length = reads[-1]
            end = max(first + length, address + count)
            if address <= first + length + gap and end - first <= MOST_REGISTERS:
                reads[-1] = (first, end - first)
                continue
        reads.append((address, count))
    return reads
