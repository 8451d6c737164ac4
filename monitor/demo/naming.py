"""Names of homes that nobody lives in."""

from __future__ import annotations

import numpy as np

_FRONT = (
    "Wren", "Hazel", "Thorn", "Larch", "Sallow", "Fern", "Rook", "Bramble", "Otter", "Plover", "Sedge", "Tansy",
    "Vetch", "Alder", "Clover", "Dunlin", "Elder", "Finch", "Gorse", "Heron", "Ivel", "Kestrel", "Linnet", "Mallow",
)  # fmt: skip
_BACK = ("hythe", "combe", "garth", "stead", "wick", "mere", "holt", "rigg", "lea", "cote", "fold", "ridge")
_KIND = ("Cottage", "House", "Barn", "Farm", "Lodge", "Villa")
_FIRM = ("Roof Energy", "Roof Works", "Sun Service", "Roof Power")


def draw_names(rng: np.random.Generator, count: int) -> list[str]:
    """So many different names; the first word is the name of the place."""
    pairs = rng.permutation(len(_FRONT) * len(_BACK))[:count]
    return [f"{_FRONT[p % len(_FRONT)]}{_BACK[p // len(_FRONT)]} {rng.choice(_KIND)}" for p in pairs.tolist()]


def draw_firm(rng: np.random.Generator) -> str:
    """The name of the firm that looks after the roofs."""
    return f"{rng.choice(_FRONT)}{rng.choice(_BACK)} {rng.choice(_FIRM)}"
