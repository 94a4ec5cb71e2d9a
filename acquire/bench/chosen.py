"""Which captures a person means by a water, a capture or a round, and what else is known of them.

Takes what a comparison needs out of a store: channels, corrections, failed checks, what was odd
about a visit, and how repeats scattered in earlier rounds.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby

from acquire.bench.comparison import Comparison, Scatter, compare, scatter_of
from acquire.bench.flagged import is_grave
from acquire.bench.meter_state import SESSION_MS, failures
from acquire.bench.sides import in_use
from acquire.checks import Check, StandingCorrection
from acquire.errors import ConfigError
from acquire.quantities import BUILT_IN, Quantity
from acquire.readings import Capture, CaptureState, Role
from acquire.rounds import Round
from acquire.store.records import Records

__all__ = ["REPEATS_MS", "captures_meant", "compare_stored", "failing", "round_captures"]

REPEATS_MS = 3_600_000
"""Captures of one water outside a round this close together count as repeats."""
_ROUNDS = 24
"""So many of the latest rounds tell how repeats scatter: two years of monthly ones."""

Quantities = Mapping[str, Quantity]


def compare_stored(
    records: Records,
    first: str,
    second: str | None = None,
    *,
    quantities: Quantities = BUILT_IN,
    matters: Mapping[str, float] | None = None,
    rounds: Sequence[Round] | None = None,
) -> list[Comparison]:
    """Compare what two words mean: water, capture, round, or `water@round`.

    One round alone, by its id or as `last`, gives its reference against each of its subjects; two
    give each water that is in both, the earlier as reference. `rounds` are those of the store,
    where they were asked for already.

    Raises:
        ConfigError: nothing in the store goes by such a word, or both are the same captures.

    """
    rounds = records.rounds() if rounds is None else rounds
    pairs = _pairs(records, rounds, first, second)
    for reference, subject in pairs:
        both = {one.id for one in reference} & {one.id for one in subject}
        if both:
            raise ConfigError(
                "a capture cannot be compared with itself", found=", ".join(sorted(both)),
                allowed="two waters, or one water of two rounds: WATER@ROUND",
            )  # fmt: skip
    meters = sorted({one.meter for pair in pairs for some in pair for one in some})
    channels = {meter: records.channels(meter) for meter in meters}
    corrections = [one for meter in meters for one in records.corrections(meter=meter)]
    checks = records.checks()
    flags: dict[str, tuple[str, ...]] = {
        visit.capture_id: visit.flags
        for one in rounds
        for visit in one.visits
        if visit.capture_id and visit.flags and visit.state == "taken"
    }
    repeats = [
        (one.meter, some)
        for one in rounds[-_ROUNDS:]
        if one.meter in meters
        for some in _repeats(records, one)
    ]
    return [
        compare(
            reference,
            subject,
            channels,
            corrections,
            quantities=quantities,
            matters=matters,
            flags=flags,
            failing=failing([*reference, *subject], checks, corrections),
            scatter=_scatter(repeats, [*reference, *subject], quantities),
        )
        for reference, subject in pairs
    ]


def _pairs(
    records: Records, rounds: Sequence[Round], first: str, second: str | None
) -> list[tuple[list[Capture], list[Capture]]]:
    if second is None:
        found = rounds[-1] if first == "last" and rounds else records.round(first)
        if found is None:
            raise ConfigError(
                "compared with what? Say two waters, or one round", found=first,
                allowed="ouzel compare REFERENCE SUBJECT, or a round: its id, or last",
            )  # fmt: skip
        return _within(records, found)
    here, there = (records.round(word) for word in (first, second))
    if here is not None and there is not None:
        return _between(records, here, there)
    return [(captures_meant(records, rounds, first), captures_meant(records, rounds, second))]


def _within(records: Records, one: Round) -> list[tuple[list[Capture], list[Capture]]]:
    by_role = {
        role: [stop.water for stop in one.stops if stop.kind == "water" and stop.role == role]
        for role in (Role.REFERENCE, Role.SUBJECT)
    }
    found = {
        name: round_captures(records, one, name) for names in by_role.values() for name in names
    }
    pairs = [
        (found[reference], found[subject])
        for reference in dict.fromkeys(by_role[Role.REFERENCE])
        for subject in dict.fromkeys(by_role[Role.SUBJECT])
        if found[reference] and found[subject]
    ]
    if not pairs:
        raise ConfigError(
            "this round has no captures of a reference and of a subject", found=one.id
        )
    return pairs


def _between(
    records: Records, first: Round, second: Round
) -> list[tuple[list[Capture], list[Capture]]]:
    names = [stop.water for stop in first.stops if stop.kind == "water"]
    pairs = []
    for name in dict.fromkeys(names):
        here, there = (round_captures(records, one, name) for one in (first, second))
        if here and there:
            pairs.append((here, there) if first.began_ms <= second.began_ms else (there, here))
    if not pairs:
        raise ConfigError("these rounds have no water in common", found=(first.id, second.id))
    return pairs


def round_captures(records: Records, one: Round, water: str) -> list[Capture]:
    """Give the final captures of one water in a round; what was set aside is left out."""
    ids = [
        visit.capture_id
        for visit in one.visits
        if visit.state == "taken" and visit.capture_id and one.stops[visit.position].water == water
    ]
    found = (records.capture(name) for name in dict.fromkeys(ids))
    return [c for c in found if c is not None and c.state is CaptureState.FINAL]


def captures_meant(records: Records, rounds: Sequence[Round], word: str) -> list[Capture]:
    """Give the captures that a word means: an id, `water@round`, or a water's latest ones.

    `rounds` are those of the store, oldest first.

    Raises:
        ConfigError: there are none; names the waters there are.

    """
    capture = records.capture(word)
    if capture is not None:
        if capture.state is not CaptureState.FINAL:
            raise ConfigError("this capture is not final", found=f"{word}: {capture.state}")
        return [capture]
    water, _, round_id = word.rpartition("@")
    one = records.round(round_id) if water else None
    if one is not None:
        found = round_captures(records, one, water)
        if found:
            return found
    newest = _newest(records, word)
    if newest is None:
        known = sorted(one.water for one in records.waters())
        raise ConfigError(
            "no final capture of such a water", found=word,
            allowed=", ".join(known) or "the id of a capture or of a round",
        )  # fmt: skip
    for one in reversed(rounds):
        if any(v.capture_id == newest.id and v.state == "taken" for v in one.visits):
            return round_captures(records, one, word) or [newest]
    since_ms = newest.taken.at_ms - REPEATS_MS
    repeats = records.captures(
        water=word, meter=newest.meter, state=CaptureState.FINAL, since_ms=since_ms
    )
    return sorted((c for c in repeats if c.role == newest.role), key=lambda c: c.taken.at_ms)


def _newest(records: Records, water: str) -> Capture | None:
    """The latest capture that was not only a rinse or a check."""
    for capture in records.captures(water=water, state=CaptureState.FINAL):
        if capture.role not in {Role.RINSE, Role.SOLUTION}:
            return capture
    return None


def failing(
    captures: Sequence[Capture],
    checks: Sequence[Check],
    corrections: Sequence[StandingCorrection],
) -> dict[tuple[str, str], str]:
    """Give by meter and quantity the check that speaks against it when the captures were taken.

    Checks of the same session count even when they came after: the closing one shows that the
    meter held. A failed one on which a correction in force then rests speaks against nothing.
    """
    found = {}
    for meter in {capture.meter for capture in captures}:
        times = [capture.taken.at_ms for capture in captures if capture.meter == meter]
        mine = sorted(
            (c for c in checks if c.meter == meter and c.at_ms <= max(times) + SESSION_MS),
            key=lambda c: (c.quantity, c.at_ms),
        )
        mended = {
            (one.quantity, name)
            for one in corrections
            if one.meter == meter and one.from_ms <= min(times)
            and (one.undone_ms is None or one.undone_ms > max(times))
            for name in one.check_ids
        }  # fmt: skip
        for quantity, some in groupby(mine, key=lambda c: c.quantity):
            bad = [f for f in failures(list(some)) if (quantity, f.capture_id) not in mended]
            if bad:
                found[meter, quantity] = f"check {bad[-1].capture_id} failed with {bad[-1].label}"
    return found


def _scatter(
    repeats: Sequence[tuple[str, list[Capture]]],
    compared: Sequence[Capture],
    quantities: Quantities,
) -> dict[str, Scatter]:
    """Pool how repeats, by meter, scattered in earlier rounds of the meters compared."""
    meters, ids = {one.meter for one in compared}, {one.id for one in compared}
    groups = [
        some for meter, some in repeats if meter in meters and not ids & {one.id for one in some}
    ]
    found = {}
    for name in quantities:
        settled = [
            [v.value for c in some if (v := in_use(c, name)) is not None and v.phase == "settled"]
            for some in groups
        ]
        pooled = scatter_of(name, settled, quantities)
        if pooled is not None:
            found[name] = pooled
    return found


def _repeats(records: Records, one: Round) -> Iterator[list[Capture]]:
    """Give the captures of each stop that was visited more than once, the odd ones left out."""
    by_stop: dict[int, list[str]] = {}
    for visit in one.visits:
        if visit.state == "taken" and visit.capture_id and not is_grave(visit.flags):
            by_stop.setdefault(visit.position, []).append(visit.capture_id)
    for position, ids in by_stop.items():
        if len(ids) > 1 and one.stops[position].kind == "water":
            found = (records.capture(name) for name in ids)
            yield [c for c in found if c is not None and c.state is CaptureState.FINAL]
