"""Proposes which quantity each number of a line is, in which unit, and says why. Pure.

A label says most, then a unit; without both, range, decimals, how the numbers belong together and
how they move between air and water have to do. What is proposed is never more than a proposal.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, product

from acquire.errors import ConfigError
from acquire.quantities import BUILT_IN, conversion
from drivers.learning_fields import Slot
from drivers.learning_words import label_means, unit_means

__all__ = ["Proposal", "propose"]

_ORDER = tuple(BUILT_IN)
# The order most displays have; only breaks ties. Common practice, no source.
_PLACES = {name: place for place, name in enumerate(_ORDER)}
_USUAL_FACTORS = (0.5, 0.55, 0.64, 0.65, 0.67, 0.7)
"""TDS in mg/L per µS/cm that meters use: from NaCl to mixtures. Common practice, no source."""
_ENOUGH = 18.0
_CANDIDATES = 4


@dataclass(frozen=True, slots=True)
class Proposal:
    """What one slot is taken for."""

    slot: Slot
    quantity: str
    """Empty: to be left out."""
    unit: str
    why: str
    is_sure: bool
    """Whether label or unit say so, not only the numbers."""


@dataclass(slots=True)
class _Case:
    """What speaks for a slot being a quantity."""

    score: float = 0.0
    reasons: list[str] = field(default_factory=list)
    is_named: bool = False

    def add(self, score: float, reason: str = "", *, named: bool = False) -> None:
        self.score += score
        self.is_named = self.is_named or named
        if reason:
            self.reasons.append(reason)


def propose(slots: Sequence[Slot]) -> list[Proposal]:
    """Give a proposal for each slot, no quantity twice."""
    cases = {
        (place, name): case
        for place, slot in enumerate(slots)
        for name in _ORDER
        if (case := _case(slot, name)) is not None
    }
    chosen = _best(slots, cases)
    return [
        _proposal(slot, chosen.get(place, ""), cases.get((place, chosen.get(place, ""))), slots)
        for place, slot in enumerate(slots)
    ]


def _case(slot: Slot, name: str) -> _Case | None:
    """Give what speaks for it; None where something speaks against it for certain."""
    if not slot.shown:
        return None
    case = _Case()
    meaning, sure = label_means(slot.label)
    units = unit_means(slot.unit)
    if meaning == name:
        case.add(100 * sure, f"label {slot.label}", named=True)
    elif meaning:
        case.add(-100 * sure)
    if name in units:
        case.add(60 if len(units) == 1 else 30, f"unit {slot.unit}", named=True)
    elif units:
        return None  # in volts there is no temperature
    elif slot.is_counter and not case.is_named:
        return None
    _by_range(case, slot, name)
    return case if case.score > 0 else None


def _by_range(case: _Case, slot: Slot, name: str) -> None:
    unit = _unit(slot, name, ())
    try:
        turn = conversion(BUILT_IN[name], unit)
    except ConfigError:
        return
    values = [turn(value) for value in slot.values]
    if not all(map(BUILT_IN[name].is_plausible, values)):
        case.add(-60)
        return
    points = _likelihood(name, values, slot)
    shown = slot.shown[-1]
    case.add(points, f"numbers like {shown}" if points >= _ENOUGH and not case.is_named else "")
    # A dry probe conducts nothing, so a display that stands at zero shows what it conducts by.
    conducts = name in {"conductivity", "tds", "salinity"}
    if not any(values):
        case.add(8 if conducts else -15)
    # The probe went from air into water: what rose from nothing is what water conducts by.
    if max(values) > 20 * max(abs(min(values)), 1.0):
        case.add(30 if conducts else -30, "rose from nothing in water" if conducts else "")


def _likelihood(name: str, values: Sequence[float], slot: Slot) -> float:
    """Points for numbers of this size and fineness; what displays do, common practice."""
    low, high, decimals = min(values), max(values), slot.decimals
    points = 0.0
    match name:
        case "ph":
            points = (25 if low >= 3.5 and high <= 10.6 else 10) if 1 <= decimals <= 3 else 0
            points += 6 if decimals == 2 else 0
        case "orp":
            points = (20 if decimals == 0 else 4) + (20 if low < 0 else 0)
        case "conductivity":
            points = 21 if decimals == 0 else 12
        case "tds":
            points = 15 if decimals == 0 else 7
        case "salinity":
            points = 10 if decimals in {1, 2} and high < 50 else 2
        case "specific_gravity":
            points = 55 if decimals >= 3 and low >= 0.98 and high <= 1.2 else -20
        case "temperature":
            points = (30 if decimals == 1 else 12) if low >= 0 and high <= 60 else 5
            points -= 0 if decimals else 8
    return points


def _best(slots: Sequence[Slot], cases: Mapping[tuple[int, str], _Case]) -> dict[int, str]:
    """Choose for each quantity a slot or none, so that all together are most likely."""
    choices = []
    for name in _ORDER:
        mine = [
            (cases[place, name].score, place)
            for place in range(len(slots))
            if (place, name) in cases
        ]
        choices.append([-1, *(place for _, place in sorted(mine, reverse=True)[:_CANDIDATES])])
    related = dict(_related(slots))
    best: dict[int, str] = {}
    best_score = 0.0
    for chosen in product(*choices):
        used = [place for place in chosen if place >= 0]
        if len(set(used)) < len(used):
            continue
        score = sum(
            cases[place, name].score - _ENOUGH / 2
            for place, name in zip(chosen, _ORDER, strict=True)
            if place >= 0
        )
        by_name = dict(zip(_ORDER, chosen, strict=True))
        for name in ("tds", "salinity"):
            place, ec_place = by_name[name], by_name["conductivity"]
            # No display shows what is computed from conductivity and hides conductivity itself.
            alone = -10.0 if place >= 0 and ec_place < 0 else 0.0
            score += related.get((name, place, ec_place), alone)
        score += 0.5 * sum(a < b for a, b in pairwise(used))
        if score > best_score:
            best_score, best = score, {place: name for name, place in by_name.items() if place >= 0}
    return best


def _related(slots: Sequence[Slot]) -> Iterator[tuple[tuple[str, int, int], float]]:
    """Find which numbers are computed from which: points for (quantity, its slot, EC's slot)."""
    for ec_place, ec in enumerate(slots):
        for place, slot in enumerate(slots):
            if place == ec_place or len(ec.shown) != len(slot.shown) or not any(ec.values):
                continue
            to_ec = 1e3 if _is_milli(ec) else 1.0
            pairs = [(e * to_ec, s) for e, s in zip(ec.values, slot.values, strict=True)]
            steps = to_ec * ec.step, slot.step
            scales = (1.0, 1e-3) if slot.decimals else (1.0,)
            ppm_or_g = [k * scale for k in _USUAL_FACTORS for scale in scales]
            yield ("tds", place, ec_place), 40.0 if _fits(pairs, ppm_or_g, steps) else -30.0
            # Salinity of NaCl: half the conductivity in g/L, a tenth of that in per cent.
            salts = [k * scale for k in (0.5, 0.55, 0.64) for scale in (1e-3, 1e-4)]
            fits = slot.decimals > 0 and _fits(pairs, salts, steps)
            yield ("salinity", place, ec_place), 25.0 if fits else -10.0


def _fits(
    pairs: Sequence[tuple[float, float]], factors: Sequence[float], steps: tuple[float, float]
) -> bool:
    """Whether the one is the other times one of the factors, both rounded, in nine of ten lines."""
    for factor in factors:
        slack = 0.55 * (steps[0] * factor + steps[1])
        good = sum(abs(e * factor - s) <= slack for e, s in pairs)
        if good >= 0.9 * len(pairs):
            return True
    return False


def _is_milli(slot: Slot) -> bool:
    """Whether a conductivity is shown in mS/cm: says so, or has decimals and is small."""
    if slot.unit:
        return slot.unit.lower() in {"ms/cm", "ms"}
    return slot.decimals >= 2 and max(slot.values, default=0.0) < 30


def _unit(slot: Slot, name: str, slots: Sequence[Slot]) -> str:
    """Give the unit the numbers are in: the one shown, else the usual one of that size."""
    if slot.unit and name in unit_means(slot.unit):
        return slot.unit
    values = slot.values or [0.0]
    is_fine = slot.decimals >= 2
    usual = {
        "ph": "pH",
        "orp": "V" if is_fine and all(abs(value) < 2.5 for value in values) else "mV",
        "conductivity": "mS/cm" if _is_milli(slot) else "uS/cm",
        "tds": "g/L" if is_fine and max(values) < 30 else "ppm",
        "salinity": _salinity_unit(slot, slots) if name == "salinity" else "%",
        # Water of 45 to 110 °C burns: such a display shows °F.
        "temperature": "F" if min(values) >= 45 and max(values) <= 110 else "C",
    }
    return usual.get(name, "1")


def _salinity_unit(slot: Slot, slots: Sequence[Slot]) -> str:
    """Per cent or g/kg: whichever goes with a conductivity in the line; per cent without one."""
    for ec in slots:
        if label_means(ec.label)[0] == "conductivity" or "conductivity" in unit_means(ec.unit):
            factor = 1e3 if _is_milli(ec) else 1.0
            for e, s in zip(ec.values, slot.values, strict=False):
                if e * factor >= 200:
                    return "ppt" if s > e * factor * 2e-4 else "%"
    return "%"


def _proposal(slot: Slot, quantity: str, case: _Case | None, slots: Sequence[Slot]) -> Proposal:
    if not quantity or case is None:
        meaning, _ = label_means(slot.label)
        why = "no quantity ouzel knows" if meaning != "other" else "nothing ouzel measures"
        if not slot.shown:
            why = "never showed a number"
        elif slot.is_counter:
            why = "counts the lines"
        return Proposal(slot, "", "", why, is_sure=False)
    why = ", ".join(case.reasons) or "fits the others"
    return Proposal(slot, quantity, _unit(slot, quantity, slots), why, is_sure=case.is_named)
