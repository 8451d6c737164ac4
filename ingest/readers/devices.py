"""The readings of the devices in a dump: by the source's map of points, or by SunSpec models."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ingest.errors import InputError
from ingest.readers.assemble import Series
from ingest.readers.rejects import Rejects
from ingest.readings import Mask, Values
from ingest.registers.points import channel_of, spot_of
from ingest.registers.snapshots import Snapshots
from ingest.registers.spots import Found, Spot, read_spot
from ingest.sources import RegisterPoint, RegisterSource
from ingest.sunspec.chain import Chain
from ingest.sunspec.decode import Tell, decode, miscounts
from ingest.sunspec.survey import Survey, survey
from ingest.sunspec.uses import Plan, plan_uses

Units = Mapping[int, Snapshots]
_NOWHERE = "is nowhere in the file"


def mapped_series(units: Units, source: RegisterSource, rejects: Rejects) -> tuple[list[Series], tuple[str, ...]]:
    """Each point's readings; a poll with only a part of a point's registers is set aside."""
    series = [one for point in source.map if (one := _point(point, units, rejects)) is not None]
    return series, ()


def sunspec_series(units: Units, source: RegisterSource, rejects: Rejects) -> tuple[list[Series], tuple[str, ...]]:
    """The readings of the one device whose model chain is in the dump."""
    if source.subjects is None:
        rejects.add(None, "", "", "nobody says whom the models speak of; expected subjects = { inverter = … }")
        return [], ()
    try:
        unit, found = _with_chain(units, source)
    except InputError as error:
        rejects.add(None, "", "", error.reason)
        return [], ()
    shots = units[unit]
    tell = _teller(shots, rejects)
    series: list[Series] = []
    notes: list[str] = []
    for chain, mine in found.chains:
        plan = plan_uses(chain, source.subjects)
        series += _decoded(plan, shots, mine, tell)
        notes += [_chain_note(unit, chain), *plan.notes, *miscounts(chain, shots, mine)]
    for poll in np.flatnonzero(found.strays).tolist():
        first = int(shots.rows.addresses[np.flatnonzero(shots.rows.polls == poll)[0]])
        tell(poll, first, "", f"the headers of models in this poll of unit {unit} are unlike the others'; not taken")
    return series, tuple(notes)


def _point(point: RegisterPoint, units: Units, rejects: Rejects) -> Series | None:
    channel, spot = channel_of(point), spot_of(point)
    shots = units.get(point.unit_id)
    first, count = spot.span
    if shots is None or not any(shots.has(address) for address in range(first, first + count)):
        where = f"register {point.address} of unit {point.unit_id}"
        rejects.add(None, "", where, f"{where} {_NOWHERE}; {channel.quantity} of {channel.subject} needs it")
        return None
    found = read_spot(spot, shots)
    tell = _teller(shots, rejects)
    _tell_of_halves(spot, found, shots, tell)
    if spot.power_at is not None:
        _tell_of_powers(spot, found, shots, tell, point.of)
    return Series(channel, shots.times[found.whole], found.values[found.whole])


def _tell_of_halves(spot: Spot, found: Found, shots: Snapshots, tell: Tell) -> None:
    first, count = spot.span
    words, there = shots.read(first, count)
    for poll in np.flatnonzero(found.half).tolist():
        missing = ", ".join(str(first + i) for i in range(count) if not there[poll, i])
        present = int(np.argmax(there[poll]))
        why = f"register {missing} of unit {shots.unit} is not in the same poll"
        again = "its registers came again in the same poll with other words, and not all of them equally often"
        reason = f"half a value: {why if missing else again}"
        tell(poll, first + present, str(words[poll, present]), reason)


def _tell_of_powers(spot: Spot, found: Found, shots: Snapshots, tell: Tell, subject: str) -> None:
    address = spot.power_at
    if found.powers is None or address is None:
        where = f"register {address} of unit {shots.unit}"
        tell(None, None, where, f"the scale {where} {_NOWHERE}, so {subject} has no value")
        return
    there = shots.read(address)[1][:, 0]
    for poll in np.flatnonzero(found.unscaled).tolist():
        power = f"{found.powers[poll]}, outside -10 to 10" if there[poll] else "missing"
        tell(poll, address, power, f"the power of ten in register {address} is {power}; the value is not taken")


def _teller(shots: Snapshots, rejects: Rejects) -> Tell:
    def tell(poll: int | None, address: int | None, text: str, reason: str) -> None:
        line = shots.line(poll, address) if poll is not None and address is not None else None
        rejects.add(line, "", text, reason)

    return tell


def _decoded(plan: Plan, shots: Snapshots, mine: Mask, tell: Tell) -> list[Series]:
    decoded = decode(plan, shots, mine, tell, nowhere=_NOWHERE)
    return [Series(one.channel, shots.times[one.there], _values(one.values, one.there)) for one in decoded]


def _values(values: Values, there: Mask) -> Values:
    return np.asarray(values[there], np.float64)


def _with_chain(units: Units, source: RegisterSource) -> tuple[int, Survey]:
    """The unit that is asked for, or the only one that holds a model chain; InputError when there is none."""
    here = f"unit{'s' if len(units) != 1 else ''} {', '.join(str(unit) for unit in units) or 'none'}"
    if source.unit_id is not None and source.unit_id not in units:
        raise InputError("", f"unit {source.unit_id} is nowhere in the file, which holds {here}")
    asked = units if source.unit_id is None else {source.unit_id: units[source.unit_id]}
    found: dict[int, Survey] = {}
    why = "no row of the file could be read"
    for unit, shots in asked.items():
        try:
            found[unit] = survey(shots, source.base_address)
        except InputError as error:
            why = f"{here}: {error.reason}"
    if len(found) > 1:
        several = ", ".join(str(unit) for unit in found)
        raise InputError("", f"units {several} hold a model chain each; expected unit_id to say which one is meant")
    if not found:
        raise InputError("", why)
    return next(iter(found.items()))


def _chain_note(unit: int, chain: Chain) -> str:
    models = ", ".join(str(block.model) for block in chain.blocks)
    end = "" if chain.complete else "; the chain breaks off without its end block"
    return f"unit {unit} holds the models {models or 'none'} from register {chain.base}{end}"
