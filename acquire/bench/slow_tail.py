"""The slow tail of platinum, and of a pH electrode in thin water: what settling cannot see. Pure.

A detector that judges over a minute takes a value for settled while a part with a time constant of
many minutes still moves by less than it can tell from noise. What is left of such a part is its
rate times its time constant. So its limits are taken as

    ± tau · hypot(drift, unseen)

with all within them equally likely, u = limit/√3 (GUM 4.3.7): `drift` the rate at capture, `unseen`
the rate that cannot be told from the sensor's own wander in a minute, tau the time constant known
for such waters. Which way it goes nobody knows of one capture; but repeats of a water come from the
same side and wait as long, so they err alike, and their mean is no surer than one of them.

* ORP: tau = 10 min. 30 to 45 min to a steady reading are quoted for platinum in water that nothing
  poises, USGS (Techniques and Methods 9-A6.5) allows some 30 min, and three time constants leave
  5 %. Unseen: 1.5 mV/min (no source; chosen on the simulated rounds 0 to 199 of docs/rounds.md).
  So ±15 mV where no drift was seen: common practice calls bands of 10 to 20 mV steady.
* pH: thin water takes 2 to 10 min to 95 % (common practice, no source; ASTM D5464 calls such
  measurement problematical below 100 µS/cm): tau = 10 min / 3. Unseen: 0.04 pH/min, by which a
  value may move that stays within ±0.02 for a minute. So ±0.13 pH where no drift was seen:
  junctions in pure water are known for 0.05 to 0.2 (common practice, no source). It shrinks as
  ions come, by 1 / (1 + EC25 / 5 µS/cm), and ends at 100 µS/cm: below about 5 µS/cm ASTM D1293
  holds no method adequate; the form is our choice.

In a solution of known value there is none: a redox standard or a buffer holds its electrode.

Two waters measured with one platinum in one session do not err independently: the tail is a memory
of where the electrode was. Of a part that decays with tau, what is left in the second water is q x
(what was left in the first + the step from the first to the second). So what is left of earlier
waters is shared and cancels but for a part, and the step between the two is shown too small, never
too large. `tail_apart` allows for

* 0.35 of both limits together: what does not cancel. No source; chosen on simulated rounds 100000
  to 100399 of equal waters, where the errors of reference and subject go together by 0.9.
* 0.8 of the difference as it was measured: more than half of a step (1 / 1.8) is made good before
  a value can pass as settled (all but one in ten of the simulated ones). But no more than both
  limits with tau = 15 min: 45 min to a steady reading are three time constants.

With two meters, or months between, nothing is shared. For pH the two are taken as independent: in
thin water little of an error is memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from acquire.readings import Capture, Role, SettledValue
from acquire.stats.budget import Component, rectangular_u

__all__ = ["MEMORY", "SLOW_TAIL", "slow_tail", "tail_apart"]

SLOW_TAIL = "slow tail"
MEMORY = "memory of the other water"
_NOT_SHARED = 0.35
_STEP = 0.8
_LONGER = 1.5
"""Tau of a step over that of what nobody sees."""
THIN_US_CM = 100.0
"""From here on a water has ions enough for a pH electrode."""
FEW_US_CM = 5.0


@dataclass(frozen=True, slots=True)
class _Tail:
    tau_min: float
    unseen_per_min: float


_ORP = _Tail(10.0, 1.5)
_PH = _Tail(10.0 / 3.0, 0.04)


def slow_tail(capture: Capture, value: SettledValue, source: str = "") -> Component | None:
    """Give what may be left of a slow part of this value; None where there is none.

    `source` names the electrode of this session, where its memory is shared by two waters.

    pH needs the conductivity of the same capture (its TDS, twice, where it has none): without
    either nobody knows that the water is thin, and there is none.
    """
    if capture.role is Role.SOLUTION or value.source == "imported" or value.phase != "settled":
        return None
    if value.quantity == "orp":
        tail, share = _ORP, 1.0
    elif value.quantity == "ph":
        tail, share = _PH, _thin(capture)
    else:
        return None
    drift = value.drift_per_min if math.isfinite(value.drift_per_min) else 0.0
    limit = share * tail.tau_min * math.hypot(drift, tail.unseen_per_min)
    kept = source if value.quantity == "orp" else ""
    return Component(SLOW_TAIL, rectangular_u(limit), source=kept) if limit else None


def tail_apart(first: Component, second: Component, difference: float) -> tuple[Component, ...]:
    """Give the parts of a difference that two slow tails of one electrode in one session leave."""
    both = math.hypot(first.u, second.u)
    step = min(rectangular_u(_STEP * abs(difference)), _LONGER * both)
    return Component(SLOW_TAIL, _NOT_SHARED * both), Component(MEMORY, step)


def _thin(capture: Capture) -> float:
    """How thin the water is for a pH electrode: 1 without ions, 0 from THIN_US_CM on."""
    conductivity, tds = capture.values.get("conductivity"), capture.values.get("tds")
    if conductivity is not None:
        ec = conductivity.value
    elif tds is not None:
        ec = 2.0 * tds.value
    else:
        return 0.0
    return 0.0 if not ec < THIN_US_CM else 1.0 / (1.0 + max(ec, 0.0) / FEW_US_CM)
