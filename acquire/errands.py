"""What a command asks the running ouzel to keep, since only one process writes to a store.

As a request beside the store (`acquire.asking`): which errand, and the thing itself as JSON. It is
checked as if it had been typed here.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from pydantic import TypeAdapter, ValidationError

from acquire.bench.particles import particle_result
from acquire.checks import StandingCorrection
from acquire.errors import ConfigError
from acquire.readings import CaptureState, Role
from acquire.rounds import ParticleCount
from acquire.store.records import Records

__all__ = [
    "Bookkeeper",
    "Errand",
    "Naming",
    "TakingBack",
    "Undoing",
    "carry_out",
    "errand_of",
]


@dataclass(frozen=True, slots=True)
class Naming:
    """A stored capture's water is called otherwise, or was something else to the round."""

    capture: str
    water: str
    role: Role | None


@dataclass(frozen=True, slots=True)
class TakingBack:
    """A count is withdrawn, or counts again."""

    count: str
    is_back: bool
    note: str


@dataclass(frozen=True, slots=True)
class Undoing:
    """The correction in force ends; the one before it holds again."""

    meter: str
    quantity: str


Errand = ParticleCount | Naming | TakingBack | StandingCorrection | Undoing
_KINDS: Mapping[str, type[Any]] = {
    "count": ParticleCount,
    "name": Naming,
    "take back": TakingBack,
    "correct": StandingCorrection,
    "undo": Undoing,
}


class Bookkeeper(Protocol):
    """Who writes: the daemon."""

    async def counted(self, count: ParticleCount) -> ParticleCount: ...
    async def take_back(self, count: ParticleCount, *, is_back: bool, note: str) -> None: ...
    async def rename(self, capture_id: str, water: str, role: Role | None) -> None: ...
    async def correct(self, correction: StandingCorrection) -> None: ...
    async def undo_correction(self, meter: str, quantity: str) -> None: ...


def errand_of(errand: Errand) -> dict[str, str]:
    """Give an errand as a request."""
    name = next(name for name, kind in _KINDS.items() if isinstance(errand, kind))
    said = TypeAdapter(_KINDS[name]).dump_python(errand, mode="json")
    return {"keep": name, "what": json.dumps(said)}


async def carry_out(said: Mapping[str, str], keeper: Bookkeeper, records: Records) -> str:
    """Have an errand done; gives what was done.

    Raises:
        OuzelError: it cannot be done, and why.

    """
    kind = _KINDS.get(said["keep"])
    if kind is None:
        raise ConfigError("this ouzel does not know such an errand: is it another version?")
    try:
        errand = TypeAdapter(kind).validate_python(json.loads(said.get("what", "")))
    except (ValidationError, ValueError, RecursionError) as error:
        raise ConfigError("what was asked cannot be read: is it another version?") from error
    match errand:
        case ParticleCount():
            particle_result(errand)  # refuses what cannot be
            kept = await keeper.counted(errand)
            return f"count {kept.id} is kept"
        case TakingBack():
            known = {count.id: count for count in records.counts(withdrawn=True)}
            if errand.count not in known:
                raise ConfigError("no such count", found=errand.count[:40])
            await keeper.take_back(known[errand.count], is_back=errand.is_back, note=errand.note)
            return f"count {errand.count} " + ("counts again" if errand.is_back else "is withdrawn")
        case Naming():
            found = records.capture(errand.capture)
            if found is None:
                raise ConfigError("no such capture", found=errand.capture[:40])
            if found.state is CaptureState.PROVISIONAL:
                raise ConfigError(f"capture {found.id} is not final yet: lift the probe first")
            await keeper.rename(found.id, errand.water, errand.role)
            return f"capture {found.id} is named"
        case StandingCorrection():
            await keeper.correct(errand)
            return f"the correction of {errand.quantity} is in force"
        case _:
            await keeper.undo_correction(errand.meter, errand.quantity)
            return f"the correction of {errand.quantity} is undone"
