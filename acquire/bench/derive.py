"""What follows from a capture's values: corrected, at 25 °C, dissolved solids. Pure.

The chain is always the same: what the meter says, the correction in force, conductivity at 25 °C,
TDS. Each result stands beside the meter's own value and says how it came about.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from acquire.checks import StandingCorrection
from acquire.errors import WaterError
from acquire.readings import Channel, SettledValue
from acquire.stats.budget import rectangular_u
from acquire.water.conductivity import (
    NATURAL_25,
    Compensation,
    compensation_of,
    recompensate,
    to_raw,
    to_reference,
)
from acquire.water.dissolved_solids import NACL_FACTOR, TdsFactor, tds_of

__all__ = ["corrected", "derive"]

Values = Mapping[str, SettledValue]
USUAL_25 = Compensation("linear", 25.0, 0.02)


def derive(
    values: Values,
    channels: Mapping[str, Channel],
    corrections: Mapping[str, StandingCorrection] | None = None,
    *,
    factor: TdsFactor = NACL_FACTOR,
) -> dict[str, SettledValue]:
    """Give what follows from settled values, by quantity; nothing from what did not settle.

    Values in the units of the table of quantities. Where a formula does not hold there is no
    derived value: the meter's own still stands.
    """
    settled = {name: value for name, value in values.items() if value.phase == "settled"}
    derived = {
        name: corrected(settled[name], correction)
        for name, correction in (corrections or {}).items()
        if name in settled
    }
    conductivity, channel = settled.get("conductivity"), channels.get("conductivity")
    if conductivity is None or channel is None:
        return derived
    said = derived.get("conductivity", conductivity)
    ec25: SettledValue | None = said
    if channel.reference_c != 25.0:
        temperature = derived.get("temperature") or settled.get("temperature")
        ec25 = _at_25(said, channel, temperature, channels.get("temperature"))
        if ec25 is not None:
            derived["conductivity"] = ec25
    tds = values.get("tds")
    if tds is None and ec25 is not None:
        derived["tds"] = _tds(ec25, factor)
    elif "conductivity" in (corrections or {}) and "tds" in settled and "tds" not in derived:
        derived["tds"] = _follow(settled["tds"], conductivity, said)
    return derived


def corrected(value: SettledValue, correction: StandingCorrection) -> SettledValue:
    """Apply a correction; its uncertainty, that of the checks behind it, comes on top."""
    gain, check_u = correction.line.gain, correction.u_at(value.value)
    return _changed(
        value,
        correction.line.apply(value.value),
        gain,
        correction.method,
        {"check": check_u},
    )


def _at_25(
    said: SettledValue,
    channel: Channel,
    temperature: SettledValue | None,
    thermometer: Channel | None,
) -> SettledValue | None:
    """Compensate to 25 °C as natural water (ISO 7888), undoing first what the meter did.

    On top of the settling stand the temperature's uncertainty and, as a rectangle, the distance to
    the usual linear 2 %/°C: nobody knows which water this is.
    """
    if temperature is None:
        return None
    mine, temp = compensation_of(channel), temperature.value
    try:
        found = recompensate(said.value, temp, said=mine, wanted=NATURAL_25)
        linear = to_reference(to_raw(said.value, temp, mine).value, temp, USUAL_25).value
        warmer = recompensate(said.value, temp + 0.1, said=mine, wanted=NATURAL_25).value
    except WaterError:
        return None
    accuracy = rectangular_u(thermometer.accuracy) if thermometer is not None else 0.0
    temp_u = math.hypot(temperature.expanded_u / 2.0, accuracy)
    method = found.method + ("; outside the range of its source" if found.extrapolated else "")
    return _changed(
        said,
        found.value,
        found.value / said.value if said.value else 1.0,
        "; ".join(text for text in (said.method, f"at 25 °C: {method}") if text),
        {
            "temperature": abs(warmer - found.value) / 0.1 * temp_u,
            "compensation": rectangular_u(abs(linear - found.value)),
        },
    )


def _tds(ec25: SettledValue, factor: TdsFactor) -> SettledValue:
    found = tds_of(max(ec25.value, 0.0), factor)
    method = "; ".join(text for text in (ec25.method, found.method) if text)
    return replace(_changed(ec25, found.value, factor.k, method, {}), quantity="tds")


def _follow(tds: SettledValue, said: SettledValue, better: SettledValue) -> SettledValue:
    """The meter's own TDS, by the ratio its conductivity was corrected by."""
    ratio = better.value / said.value if said.value else 1.0
    relative = better.budget.get("check", 0.0) / abs(better.value) if better.value else 0.0
    method = f"follows the conductivity, x {ratio:.4g}: {better.method}"
    value = tds.value * ratio
    return _changed(tds, value, ratio, method, {"check": relative * abs(value)})


def _changed(
    value: SettledValue, new: float, gain: float, method: str, terms: Mapping[str, float]
) -> SettledValue:
    """A value carried along a straight line: what was known of it scales, `terms` come on top."""
    scale = abs(gain)
    return replace(
        value,
        value=new,
        expanded_u=math.hypot(scale * value.expanded_u, *(2.0 * u for u in terms.values())),
        drift_per_min=gain * value.drift_per_min,
        source="derived",
        method=method,
        budget={**{name: scale * u for name, u in value.budget.items()}, **terms},
    )
