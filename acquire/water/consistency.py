"""Do the numbers of one reading agree with each other? Findings in plain words, with arithmetic.

Most hand meters compute TDS, salinity and specific gravity from one conductivity. When they do not
fit it, the meter uses another factor than thought, or one of them is wrong. Conductivity in µS/cm
at 25 °C, TDS in mg/L, salinity in g/kg, temperature in °C; `step` is a display's resolution.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from acquire.errors import WaterError
from acquire.readings import Channel
from acquire.water.conductivity import compensation_of, to_raw
from acquire.water.density import expected_gravity
from acquire.water.dissolved_solids import TdsFactor, nacl_of_conductivity
from acquire.water.inputs import finite, positive
from acquire.water.salinity import practical_salinity

__all__ = [
    "Finding",
    "Kind",
    "consistency",
    "gravity_agrees",
    "low_conductivity_ph",
    "salinity_agrees",
    "tds_agrees",
]

Kind = Literal["agrees", "disagrees", "note"]
LOW_CONDUCTIVITY_US_CM = 100.0
_SLACK = 0.01  # meters round their own conductivity before they multiply: 1 % (common practice)


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing noticed: whether it is as it should be, in words, and the arithmetic."""

    about: str
    kind: Kind
    text: str
    arithmetic: str


def tds_agrees(
    tds_mg_l: float | None,
    ec25_us_cm: float | None,
    *,
    tds_step: float,
    ec_step: float,
    factor: TdsFactor | None = None,
) -> Finding:
    """Hold TDS against k x EC25, within the rounding of both displays and 1 %.

    Without a `factor` it says which k the meter uses (0.4 to 1.0), with its rounding.
    """
    tds = positive(tds_mg_l, "the TDS", "mg/L", zero=True)
    ec = positive(ec25_us_cm, "the conductivity", "µS/cm", zero=True)
    half_tds, half_ec = 0.5 * positive(tds_step, "the step"), 0.5 * positive(ec_step, "the step")
    if factor is not None:
        due = factor.k * ec
        reach = half_tds + factor.k * half_ec + _SLACK * due
        sums = f"{factor.k:g} x {ec:g} = {due:.4g} ± {reach:.2g}, shown {tds:g} mg/L"
        if abs(tds - due) <= reach:
            return Finding("tds", "agrees", "TDS is conductivity times the factor.", sums)
        return Finding("tds", "disagrees", f"TDS does not fit {factor}.", sums)
    if ec <= half_ec or tds <= half_tds:
        text = "Too little is dissolved to tell the meter's TDS factor."
        return Finding("tds", "note", text, f"{tds:g} mg/L over {ec:g} µS/cm")
    low = max(0.0, tds - half_tds) / (ec + half_ec)
    high = (tds + half_tds) / (ec - half_ec)
    sums = f"{tds:g} / {ec:g} = {tds / ec:.3f} (rounding {low:.3f} to {high:.3f})"
    if low <= 1.0 and high >= 0.4:
        return Finding("tds", "note", f"The meter's TDS factor is about {tds / ec:.2f}.", sums)
    text = "TDS and conductivity do not belong together: no meter uses such a factor."
    return Finding("tds", "disagrees", text, sums)


def salinity_agrees(
    salinity_g_kg: float | None,
    ec25_us_cm: float | None,
    *,
    step: float,
    ec_raw_us_cm: float | None = None,
    temp_c: float | None = None,
) -> Finding:
    """Hold salinity against the conventions meters use: NaCl-equivalent, half of EC, PSS-78.

    Within the display's rounding and 5 %. PSS-78 needs the raw conductivity and the temperature.
    """
    shown = positive(salinity_g_kg, "the salinity", "g/kg", zero=True)
    ec = positive(ec25_us_cm, "the conductivity", "µS/cm", zero=True)
    half = 0.5 * positive(step, "the step")
    candidates = {"half of the conductivity": 0.0005 * ec}
    try:
        candidates["NaCl-equivalent"] = nacl_of_conductivity(ec).value / 1000.0
        if ec_raw_us_cm is not None and temp_c is not None:
            candidates["practical salinity (PSS-78)"] = practical_salinity(
                ec_raw_us_cm, temp_c
            ).value
    except WaterError:
        pass  # a convention that does not hold here is no candidate
    sums = ", ".join(f"{name} {value:.3f}" for name, value in candidates.items())
    sums += f"; shown {shown:g} ± {half:g} g/kg"
    fits = [name for name, v in candidates.items() if abs(v - shown) <= half + 0.05 * v]
    if fits:
        text = f"Salinity is the conductivity in other words ({', '.join(fits)})."
        return Finding("salinity", "agrees", text, sums)
    return Finding("salinity", "disagrees", "Salinity does not fit the conductivity.", sums)


def gravity_agrees(
    gravity: float | None, tds_mg_l: float | None, temp_c: float | None, *, step: float = 0.001
) -> Finding:
    """Hold specific gravity against what the dissolved solids allow, for T/T, T/20 and T/4 °C.

    The three usual conventions; the display's half step is allowed on either side.
    """
    shown = positive(gravity, "the specific gravity")
    temp = finite(temp_c, "the water temperature", "°C")
    half = 0.5 * positive(step, "the step")
    bands = {
        f"{temp:g}/{base:g} °C": expected_gravity(tds_mg_l, temp, reference_temp_c=base)
        for base in (temp, 20.0, 4.0)
    }
    sums = "; ".join(f"{name}: {low:.4f} to {high:.4f}" for name, (low, high) in bands.items())
    sums += f"; shown {shown:.4f} ± {half:g}"
    if any(low - half <= shown <= high + half for low, high in bands.values()):
        text = "Specific gravity is what the dissolved solids allow."
        if all(high - low <= 2 * half for low, high in bands.values()):
            text += " At this strength it tells nothing more."
        return Finding("specific_gravity", "agrees", text, sums)
    text = "Specific gravity does not fit the dissolved solids: air on the probe, or a wrong zero."
    return Finding("specific_gravity", "disagrees", text, sums)


def low_conductivity_ph(ec25_us_cm: float | None) -> Finding | None:
    """Flag a pH taken in water too pure for it; None above 100 µS/cm.

    USGS National Field Manual A6.4 treats waters below 100 µS/cm apart: little buffering, a slow
    electrode, a junction potential of tenths of a pH. It is no failure of the meter.
    """
    level = positive(ec25_us_cm, "the conductivity", "µS/cm", zero=True)
    if level >= LOW_CONDUCTIVITY_US_CM:
        return None
    text = (
        "The water holds so little that its pH is unsure by tenths: it has no buffering, takes up "
        "carbon dioxide while you wait, and the electrode settles slowly."
    )
    sums = f"{level:g} µS/cm is below {LOW_CONDUCTIVITY_US_CM:g} µS/cm (USGS NFM A6.4)"
    return Finding("ph", "note", text, sums)


def consistency(
    values: Mapping[str, float],
    channels: Mapping[str, Channel],
    *,
    factor: TdsFactor | None = None,
) -> tuple[Finding, ...]:
    """Hold every quantity of one capture against the others, as far as they are there.

    `values` and `channels` by quantity, in the units of the table of quantities. Conductivity must
    be compensated to 25 °C by the meter (its channel says so); otherwise only a note is given.
    """
    ec, temp = values.get("conductivity"), values.get("temperature")
    channel = channels.get("conductivity")
    if ec is None or channel is None:
        return ()
    if channel.reference_c != 25.0:
        text = "The profile does not say that conductivity is compensated to 25 °C: not compared."
        at = "none" if channel.reference_c is None else f"{channel.reference_c:g} °C"
        return (Finding("conductivity", "note", text, f"reference {at}"),)
    found: list[Finding] = []
    if "ph" in values:
        found += [one for one in (low_conductivity_ph(ec),) if one is not None]
    tds = values.get("tds")
    if tds is not None and "tds" in channels:
        steps = {"tds_step": channels["tds"].resolution, "ec_step": channel.resolution}
        found.append(tds_agrees(tds, ec, factor=factor, **steps))
    if "salinity" in values and "salinity" in channels:
        step, raw = channels["salinity"].resolution, _raw(ec, temp, channel)
        salty = values["salinity"]
        found.append(salinity_agrees(salty, ec, step=step, ec_raw_us_cm=raw, temp_c=temp))
    if "specific_gravity" in values and "specific_gravity" in channels and temp is not None:
        solids = tds if tds is not None else 0.65 * ec
        step = channels["specific_gravity"].resolution
        found.append(gravity_agrees(values["specific_gravity"], solids, temp, step=step))
    return tuple(found)


def _raw(ec25: float, temp_c: float | None, channel: Channel) -> float | None:
    """Undo the meter's compensation, where the profile says how."""
    if temp_c is None or channel.coefficient is None:
        return None
    return to_raw(ec25, temp_c, compensation_of(channel)).value
