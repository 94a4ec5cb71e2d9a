"""Does a channel behave as it should over time: compensation seen from outside, stuck values."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from acquire.errors import WaterError
from acquire.water.consistency import Finding, Kind
from acquire.water.inputs import finite, positive

__all__ = ["compensation_seen", "compensation_seen_in_standard", "stuck"]

USUAL_ALPHA = 0.02
_TELLING = 0.4  # of the effect sought: clearly nearer to one explanation than to the next
_WORDS: Mapping[int, tuple[Kind, str]] = {
    0: ("agrees", "Conductivity is compensated for temperature once, as it should be."),
    1: ("note", "Conductivity is not compensated for temperature: the profile should say so."),
    -1: ("disagrees", "Conductivity is compensated for temperature twice: by meter and by reader."),
}  # fmt: skip


def compensation_seen(
    first: tuple[float, float], second: tuple[float, float], *, alpha: float = USUAL_ALPHA
) -> Finding:
    """Tell from one water at two temperatures how often its conductivity was compensated.

    Each pair is (µS/cm as shown, °C). Once compensated it stays; not at all it rises by some
    2 %/°C; twice it falls as much. Needs 3 °C between them; the water must be the same.
    """
    (ec_1, t_1), (ec_2, t_2) = first, second
    a, b = (positive(ec, "the conductivity", "µS/cm") for ec in (ec_1, ec_2))
    apart = finite(t_2, "the second temperature", "°C") - finite(t_1, "the first temperature", "°C")
    if abs(apart) < 3.0:
        raise WaterError(f"the temperatures must be 3 °C apart or more, found {abs(apart):.1f} °C")
    seen = math.log(b / a) / apart
    sums = f"from {a:g} to {b:g} µS/cm over {apart:+.1f} °C: {100 * seen:+.2f} % per °C"
    return _explain(seen / positive(alpha, "the temperature coefficient"), sums)


def compensation_seen_in_standard(
    shown_us_cm: float, temp_c: float, *, standard_25_us_cm: float, alpha: float = USUAL_ALPHA
) -> Finding:
    """Tell the same from one standard of known EC25, read 5 °C or more away from 25 °C."""
    shown = positive(shown_us_cm, "the conductivity", "µS/cm")
    due = positive(standard_25_us_cm, "the standard's conductivity at 25 °C", "µS/cm")
    away = finite(temp_c, "the temperature of the standard", "°C") - 25.0
    if abs(away) < 5.0:
        raise WaterError(f"the standard must be 5 °C or more from 25 °C, found {temp_c:g} °C")
    step = 1.0 + positive(alpha, "the temperature coefficient") * away
    if step <= 0:
        raise WaterError(f"{temp_c:g} °C is too far from 25 °C for a straight compensation")
    sums = (
        f"shown {shown:g} at {temp_c:g} °C; once {due:.4g}, not {due * step:.4g}, "
        f"twice {due / step:.4g} µS/cm"
    )
    return _explain(math.log(shown / due) / math.log(step), sums)


def _explain(times: float, sums: str) -> Finding:
    """`times` is 0 for compensated once, 1 for not at all, -1 for twice."""
    nearest = round(times)
    if nearest not in _WORDS or abs(times - nearest) > _TELLING:
        text = "Neither compensated once, nor twice, nor not at all: another water, or a bad cell."
        return Finding("conductivity", "note", text, sums)
    kind, text = _WORDS[nearest]
    return Finding("conductivity", kind, text, sums)


def stuck(
    series: Mapping[str, Sequence[float]],
    steps: Mapping[str, float],
    *,
    least: int = 30,
    others_move: float = 10.0,
) -> tuple[Finding, ...]:
    """Find quantities that did not move at all while another moved by ten of its steps.

    `series` holds readings in the order of time by quantity, of one length; `steps` the displays'
    resolutions. Fewer than `least` readings say nothing. Best over a change of water: within one
    still water every value may rightly stand still.
    """
    spans: dict[str, float] = {}
    for quantity, values in series.items():
        if len(values) < least:
            continue
        numbers = [finite(value, f"a value of {quantity}") for value in values]
        spans[quantity] = (max(numbers) - min(numbers)) / positive(steps[quantity], "the step")
    moving = [quantity for quantity, span in spans.items() if span >= others_move]
    found: list[Finding] = []
    for quantity, span in spans.items():
        if span == 0.0 and moving:
            count = len(series[quantity])
            text = f"{quantity} stood still while {', '.join(moving)} moved: it may be stuck."
            sums = f"{count} readings of {series[quantity][0]:g}; " + ", ".join(
                f"{other} moved by {spans[other]:.0f} steps" for other in moving
            )
            found.append(Finding(quantity, "disagrees", text, sums))
    return tuple(found)
