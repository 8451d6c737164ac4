"""One poll of a device: its registers read over the bus and put together to readings of one instant."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable, Sequence

import numpy as np

from ingest.bus import Line, Refused, Unanswered, Unreachable
from ingest.errors import InputError
from ingest.readers.assemble import Series, assemble
from ingest.readers.rejects import Rejects
from ingest.readings import ReadResult
from ingest.registers.points import PointReading, chain_change, decode_map, decode_sunspec, reads_of_map, spot_of
from ingest.registers.reads import Read
from ingest.sources import BusSource, RegisterPoint
from ingest.sunspec.chain import MARKER, Chain, read_plan, walk

Clock = Callable[[], int]
Chains = dict[tuple[str, int, int], Chain]  # by host, port and unit
Decoded = tuple[list[PointReading], list[str]]
# Refusals that a single register of a read may have caused for all of them, or the number of them.
_NOT_ALL = (2, 3)


def place_of(source: BusSource) -> tuple[str, int]:
    """Where a device is reached; many take only one connection at a time."""
    return source.host.lower(), source.port


def poll_device(source: BusSource, *, clock: Clock, chains: Chains, within_s: float) -> ReadResult:
    """Poll a device once; what could not be read comes back as rejects.

    Readings bear the instant of the first answer. A chain of SunSpec models that was found once is kept in `chains`,
    and walked anew when the device no longer fits it. No request is begun after `within_s`. InputError when the
    device gives no word at all, or has no chain.
    """
    with Line(
        source.host, source.port, function=source.function, timeout_s=source.timeout_s, retries=source.retries,
        until=time.monotonic() + within_s,
    ) as line:  # fmt: skip
        poll = _Poll(line, clock)
        readings, told = _read_map(source.map, poll) if source.model is None else _read_models(source, poll, chains)
    if poll.answered_at is None:
        raise InputError(line.name, _first_of(poll.troubles))
    return _result(line.name, poll.answered_at, readings, [*poll.troubles, *told], source)


class _Poll:
    """The registers of one poll by unit, when the first of them came, and what went wrong."""

    def __init__(self, line: Line, clock: Clock) -> None:
        self.name, self._line, self._clock = line.name, line, clock
        self.banks: dict[int, dict[int, int]] = defaultdict(dict)
        self.answered_at: int | None = None
        self.misses = False  # something that was asked for is not there
        self._troubles: dict[str, None] = {}  # in order, each once
        self._unreachable = False
        self._heard: set[int] = set()
        self._given_up: set[int] = set()

    @property
    def troubles(self) -> list[str]:
        """A sentence for each read that gave no words."""
        return list(self._troubles)

    def read(self, unit: int, read: Read, spans: Sequence[Read] = ()) -> None:
        """Read registers; where the device refuses them together, each of the spans by itself.

        A unit that left its first request unanswered is not asked again.
        """
        if self._unreachable or unit in self._given_up:
            return
        try:
            self.fetch(unit, *read)
        except Refused as error:
            parts = [one for one in spans if one[0] >= read[0] and sum(one) <= sum(read)]
            if error.code in _NOT_ALL and len(parts) > 1:
                for part in parts:
                    self.read(unit, part)
            else:
                self._troubles[error.reason] = None
                self.misses |= error.code in _NOT_ALL
        except Unanswered as error:
            self._troubles[error.reason] = None
            self._unreachable = isinstance(error, Unreachable)
            if unit not in self._heard:
                self._given_up.add(unit)

    def fetch(self, unit: int, address: int, count: int) -> list[int]:
        """The words of some registers, which the bank holds from now on; raises as the line does."""
        try:
            words: list[int] = self._line.read(unit, address, count).tolist()
        except Refused:
            self._heard.add(unit)
            raise
        self._heard.add(unit)
        if self.answered_at is None:
            self.answered_at = self._clock()
        self.banks[unit].update(zip(range(address, address + count), words, strict=True))
        return words

    def begin(self, unit: int) -> None:
        """Let go of a unit's registers, of the instant at which they came, and of what went wrong."""
        self.banks[unit].clear()
        self.answered_at, self.misses = None, False
        self._troubles.clear()


def _read_map(points: Sequence[RegisterPoint], poll: _Poll) -> Decoded:
    for unit, reads in reads_of_map(points).items():
        spans = sorted({span for point in points if point.unit_id == unit for span in spot_of(point).spans})
        for read in reads:
            poll.read(unit, read, spans)
    return decode_map(points, poll.banks)


def _read_models(source: BusSource, poll: _Poll, chains: Chains) -> Decoded:
    """Read by the chain that is known; if the device no longer fits it, walk and read once more."""
    if source.subjects is None:
        raise InputError(f"source {source.id}", "nothing says whom its models speak of; expected subjects")
    key = (*place_of(source), source.unit_id)
    chain = chains.get(key)
    if chain is None or not _read_blocks(chain, source.unit_id, poll):
        chains.pop(key, None)
        chain = _walk(source, poll)
        if chain.complete:  # half a chain may be a glitch of this moment
            chains[key] = chain
        _read_blocks(chain, source.unit_id, poll)
    readings, troubles = decode_sunspec(chain, poll.banks[source.unit_id], source.subjects)
    return readings, troubles if chain.complete else [_broken_off(source, chain), *troubles]


def _read_blocks(chain: Chain, unit: int, poll: _Poll) -> bool:
    """Read all that is known of a chain's blocks; False when the device does not fit it."""
    poll.begin(unit)
    for read in [(chain.base, len(MARKER)), *read_plan(chain)]:
        poll.read(unit, read)
    return not poll.misses and chain_change(chain, poll.banks[unit]) is None


def _walk(source: BusSource, poll: _Poll) -> Chain:
    """Walk the chain of a unit; as long as nothing ever answered, silence at an address is only silence there."""
    silence: list[Unanswered] = []

    def fetch(address: int, count: int) -> list[int] | None:
        try:
            return poll.fetch(source.unit_id, address, count)
        except Refused:
            return None
        except Unanswered as error:
            if poll.answered_at is not None or isinstance(error, Unreachable):
                raise
            silence.append(error)
            return None

    try:
        return walk(fetch, source.base_address)
    except Unanswered:
        raise
    except InputError as error:
        if silence and poll.answered_at is None:
            raise silence[0] from None
        raise InputError(poll.name, f"unit {source.unit_id}: {error.reason}") from None


def _broken_off(source: BusSource, chain: Chain) -> str:
    last = chain.blocks[-1].address + 2 + chain.blocks[-1].length if chain.blocks else chain.base + len(MARKER)
    return f"unit {source.unit_id}: the chain of models breaks off before register {last}; expected a next or end block"


def _first_of(troubles: Sequence[str]) -> str:
    return troubles[0] if len(troubles) == 1 else f"{troubles[0]}; and {len(troubles) - 1} more like it"


def _result(
    name: str, at: int, readings: Sequence[PointReading], troubles: Sequence[str], source: BusSource
) -> ReadResult:
    rejects = Rejects(name)
    for trouble in troubles:
        rejects.add(None, "", "", trouble)
    times = np.array([at], np.int64)
    series = [Series(one.channel, times, np.array([one.value])) for one in readings]
    tables, _ = assemble(series, "instant", source.interval_minutes * 60)
    return ReadResult(tables, rejects.result(), 1)
