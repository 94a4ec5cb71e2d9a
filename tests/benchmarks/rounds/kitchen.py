"""Random kitchens: waters, what is known of them beforehand, the meter, and a plan. Seeded.

Nothing here knows how a walk decides. Waters are those of the simulated household, each moved at
random; in two of five rounds, unless more are asked for, reference and subject are one and the same
water in two glasses.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from acquire.readings import Capture, CaptureState, Role, SettledValue, Stamp
from acquire.rounds import Stop
from simulators.traits import Bias
from simulators.waters import Water, load_waters

__all__ = ["EQUAL", "Kitchen", "kitchen"]

EQUAL = 0.4
"""In so many rounds both glasses hold one water: two of five."""
HOUSEHOLD = load_waters()
CHECKS = {"buffer-7.00": "buffer_7", "buffer-4.01": "buffer_4", "kcl-1413": "kcl_1413"}
LABELS = {
    "buffer-7.00": "Technical pH buffer 7.00",
    "buffer-4.01": "Technical pH buffer 4.01",
    "kcl-1413": "Conductivity standard 1413 µS/cm (0.01 mol/L KCl)",
}


@dataclass(frozen=True)
class Kitchen:
    """One evening's set-up."""

    glasses: dict[str, Water]
    """By the name the plan uses; poured when the round begins."""
    stops: tuple[Stop, ...]
    expected: dict[str, dict[str, tuple[float, float]]]
    history: dict[str, list[Capture]]
    bias: Bias
    room_c: float
    are_equal: bool
    drop_share: float
    """Of a strong water that comes along on a probe that was not rinsed, into the next glass."""


def kitchen(seed: int, equal: float = EQUAL) -> Kitchen:
    """Set one up; `equal` is the chance that both glasses hold one water."""
    draw = random.Random(f"kitchen:{seed}")
    room_c = draw.uniform(18.0, 24.0)
    names = ["reverse_osmosis", "distilled", "tap", "filtered_tap", "mineral"]
    reference = _moved(draw, HOUSEHOLD[draw.choice(names[:4])], room_c)
    are_equal = draw.random() < equal
    subject = reference if are_equal else _moved(draw, HOUSEHOLD[draw.choice(names)], room_c)
    if draw.random() < 0.15:  # one of them comes from the fridge
        subject = subject.model_copy(update={"temperature_c": room_c - draw.uniform(3.0, 9.0)})
    rinse = _moved(draw, HOUSEHOLD["distilled"], room_c)
    checks = draw.sample(sorted(CHECKS), draw.choice((0, 1, 1, 2)))
    repeats = draw.choice((1, 2, 3))
    glasses = {"glass A": reference, "glass B": subject, "rinse": rinse}
    stops: list[Stop] = []
    rinsing = Stop("rinse", "rinse", Role.RINSE, least_s=20.0)
    for name in checks:
        glasses[LABELS[name]] = HOUSEHOLD[CHECKS[name]]
        stops += [Stop("check", LABELS[name], Role.SOLUTION, name), rinsing]
    stops.append(Stop("water", "glass A", Role.REFERENCE, repeats=repeats))
    if draw.random() < 0.7:
        stops.append(rinsing)
    stops.append(Stop("water", "glass B", Role.SUBJECT, repeats=repeats))
    if checks and draw.random() < 0.7:
        label = LABELS[checks[-1]]
        stops += [rinsing, Stop("check", label, Role.SOLUTION, checks[-1], is_closing=True)]
    if draw.random() < 0.2:
        stops.append(Stop("count", "glass B"))
    known = draw.random()
    expected, history = {}, {}
    for name in ("glass A", "glass B"):
        water = glasses[name]
        if known < 0.25:
            ec = water.ec_25_us_cm
            expected[name] = {"conductivity": (0.6 * ec - 5.0, 1.4 * ec + 5.0)}
        elif known < 0.65:
            history[name] = [_earlier(draw, name, water, n) for n in range(draw.randint(1, 8))]
    return Kitchen(
        glasses,
        tuple(stops),
        expected,
        history,
        Bias.drawn(f"kitchen:{seed}"),
        room_c,
        are_equal,
        drop_share=draw.uniform(0.0, 0.002),
    )


def _moved(draw: random.Random, water: Water, room_c: float) -> Water:
    """Another household's water of that kind."""
    change = {
        "ec_25_us_cm": water.ec_25_us_cm * draw.lognormvariate(0.0, 0.35),
        "orp_mv": water.orp_mv + draw.gauss(0.0, 30.0),
        "temperature_c": room_c + draw.gauss(0.0, 0.6),
    }
    shift = draw.gauss(0.0, 0.2)
    change["ph_25"] = water.ph_25 + shift
    if water.ph_25_stood is not None:
        change["ph_25_stood"] = water.ph_25_stood + shift
    return water.model_copy(update=change)


def _earlier(draw: random.Random, name: str, water: Water, n: int) -> Capture:
    """A capture of some other month: the water has its own days, the meter too."""
    day_ms = 1_700_000_000_000 - n * 30 * 86_400_000
    said = {
        "conductivity": water.ec_25_us_cm * draw.lognormvariate(0.0, 0.06) + draw.gauss(0.0, 0.6),
        "ph": water.ph_25 + draw.gauss(0.0, 0.12),
        "orp": water.orp_mv + draw.gauss(0.0, 25.0),
        "temperature": draw.gauss(21.0, 1.5),
    }
    values = {q: SettledValue(q, value, 0.02, "settled", 0.0, 60.0) for q, value in said.items()}
    at = Stamp(day_ms, 0)
    return Capture(f"old-{name}-{n}", "kitchen", CaptureState.FINAL, at, at, values, name)
