"""The uncertainty budget of each value of a capture, meter and correction included. Pure."""

from __future__ import annotations

import math

from acquire.bench.slow_tail import slow_tail
from acquire.bench.standing import Explanation
from acquire.errors import WaterError
from acquire.readings import Capture, SettledValue
from acquire.stats.budget import Budget, budget_of

__all__ = ["budgets", "noise_dof"]

_BLOCK_S = 1.5
_LEAST_S = 10.0


def budgets(capture: Capture, explanation: Explanation) -> dict[str, Budget]:
    """Give by quantity the budget of what the capture says of it.

    Of the corrected value where a correction is in force: the checks' uncertainty then stands
    where the maker's accuracy stood.
    """
    found = {}
    for name, value in capture.values.items():
        channel = explanation.channels.get(name)
        if channel is None or value.phase != "settled":
            continue
        correction = explanation.corrections.get(name)
        try:
            budget = budget_of(
                value,
                channel,
                meter=capture.meter,
                noise_dof=noise_dof(capture, value),
                check_u=None if correction is None else correction.u_at(value.value),
            )
        except WaterError:
            continue  # a term that is no number: the settling terms still say why
        tail = slow_tail(capture, value)
        found[name] = budget if tail is None else budget.plus(tail)
    return found


def noise_dof(capture: Capture, value: SettledValue) -> float:
    """Degrees of freedom of the noise: blocks of 1.5 s within the tolerance, less one.

    The detector settles nothing that was not within its tolerance for ten seconds; what it waited
    beyond that, for others to settle, adds to it.
    """
    waited_s = 0.0
    if value.settled_after_s is not None:
        waited_s = capture.taken.t_s - capture.started.t_s - value.settled_after_s
    return max(1.0, math.floor((_LEAST_S + max(0.0, waited_s)) / _BLOCK_S) - 1.0)
