"""Which chain of models the polls of a unit hold: of a dump, where any poll may lack a part of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ingest.errors import InputError
from ingest.readings import Mask
from ingest.registers.snapshots import Snapshots
from ingest.sunspec.chain import Chain, Fetch, walk
from ingest.sunspec.decode import agreement

_MOST_CHAINS = 20


@dataclass(frozen=True, slots=True)
class Survey:
    """The chains that were found, each with its polls, and the polls that keep to none of them."""

    chains: tuple[tuple[Chain, Mask], ...]
    strays: Mask


def survey(shots: Snapshots, base: int | None) -> Survey:
    """Walk the chain of a unit's polls; polls that contradict it may have another one (a device was exchanged).

    Polls without a single header belong to the chain of most polls. InputError when no poll holds a marker.
    """
    left = np.ones(len(shots), bool)
    chains: list[tuple[Chain, Mask]] = []
    while left.any() and len(chains) < _MOST_CHAINS:
        try:
            chain = walk(_fetch_from(shots, left), base)
        except InputError:
            if not chains:
                raise
            break
        agrees, heard = agreement(chain, shots)
        mine = left & agrees & heard
        if not mine.any():  # put together from polls that contradict each other: the first of them is at fault
            mine = left & heard
            mine[int(np.argmax(mine)) + 1 :] = False
        else:
            chains.append((chain, mine))
        left &= ~mine
    return _with_silent(shots, chains, left)


def _with_silent(shots: Snapshots, chains: Sequence[tuple[Chain, Mask]], left: Mask) -> Survey:
    if not chains:
        return Survey((), left)
    ordered = sorted(chains, key=lambda pair: -int(pair[1].sum()))
    chain, mine = ordered[0]
    silent = left & ~agreement(chain, shots)[1]
    return Survey(((chain, mine | silent), *ordered[1:]), left & ~silent)


def _fetch_from(shots: Snapshots, polls: Mask) -> Fetch:
    """Words of the first of some polls that holds all that is asked for."""

    def fetch(address: int, count: int) -> list[int] | None:
        words, there = shots.read(address, count)
        whole = np.flatnonzero(there.all(axis=1) & polls)
        return [int(word) for word in words[whole[0]]] if whole.size else None

    return fetch
