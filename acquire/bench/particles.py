"""Particles under the microscope: from what was counted to what the water holds. Pure.

A count has its own uncertainty, exactly Poisson; the volume looked at has another, that of the drop
and of the field. Both are combined by averaging the exact tails over the volume
(`acquire.stats.uncertain_exposure`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import fmean
from typing import Literal

from acquire.errors import WaterError
from acquire.rounds import SHAPES, ParticleCount
from acquire.stats.budget import rectangular_u
from acquire.stats.counts import RateRatio
from acquire.stats.quantiles import regularised_gamma
from acquire.stats.uncertain_exposure import mean_interval, mean_upper, ratio_of_rates
from acquire.water.microscope import DROP_SPREAD, field_area

__all__ = [
    "FACTOR",
    "FIELD_SPREAD",
    "CountComparison",
    "CountResult",
    "compare_counts",
    "particle_result",
    "require_count",
]

FIELD_SPREAD = 0.05
"""Relative half-width of a field's diameter from its field number: common practice, no source."""
FACTOR = 2.0
"""A ratio of this size matters where counts are compared: our choice."""
_CLUMPED = 0.01
_MOST = 1_000_000


@dataclass(frozen=True, slots=True)
class CountResult:
    """What a count says; intervals are 95 %, two-sided."""

    count: ParticleCount
    total: int
    per_field: float
    per_field_low: float
    per_field_high: float
    volume_ml: float | None
    """Looked at in all fields together; None when field, drop or slip is not known."""
    volume_u: float
    """Relative standard uncertainty of it, or of the drop alone."""
    per_ml: float | None
    per_ml_low: float | None
    per_ml_high: float | None
    is_none_seen: bool
    upper_per_field: float
    """One-sided 95 % bound: what is said when none was seen."""
    upper_per_ml: float | None
    p_even: float
    """Chance that fields differ as much as they do when particles lie at random; 1 for one."""
    how: tuple[str, ...]
    """Where each part of the uncertainty comes from."""
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CountComparison:
    """A reference count and a subject count."""

    reference: CountResult
    subject: CountResult
    ratio: RateRatio
    """Subject over reference."""
    exposure: str
    """What the counts were divided by."""
    verdict: Literal["yes", "no", "cannot tell"]
    why: str


def require_count(count: ParticleCount) -> None:
    """Raise WaterError for a count that cannot be; says which number."""
    if not count.fields:
        raise WaterError("a count needs at least one field; a field without particles counts 0")
    numbers = (*count.fields, *count.shapes.values(), count.bubbles)
    if any(n != int(n) or not 0 <= n <= _MOST for n in numbers):
        raise WaterError(f"counts are whole numbers from 0 to {_MOST}")
    odd = sorted(set(count.shapes) - set(SHAPES))
    if odd:
        raise WaterError(f"unknown shape {odd[0][:30]!r}: known are {', '.join(SHAPES)}")
    if count.shapes and sum(count.shapes.values()) != sum(count.fields):
        raise WaterError(
            f"the shapes add up to {sum(count.shapes.values())}, the fields to {sum(count.fields)}"
        )
    for name in ("field_mm", "field_mm_u", "drop_ul", "drop_ul_u", "slip_mm2", "slip_mm2_u"):
        value = getattr(count, name)
        if not (math.isfinite(value) and value >= 0):
            raise WaterError(f"{name} is zero (not known) or more, found {value:g}")


def particle_result(count: ParticleCount) -> CountResult:
    """Compute what a count says per field and, where the volume is known, per mL.

    Raises:
        WaterError: the count cannot be.

    """
    require_count(count)
    total, n = sum(count.fields), len(count.fields)
    low, high = mean_interval(total)
    relative_u, how = _spread(count)
    volume = _volume(count)
    if volume is not None and not 1e-15 < volume < 1e6:
        raise WaterError(f"a volume of {volume:g} mL under the fields cannot be: look at the sizes")
    per_ml = low_ml = high_ml = upper_ml = None
    if volume is not None:
        wide_low, wide_high = mean_interval(total, relative_u=relative_u)
        per_ml, low_ml, high_ml = total / volume, wide_low / volume, wide_high / volume
        upper_ml = mean_upper(total, relative_u=relative_u) / volume
    p_even = _evenness(count.fields)
    return CountResult(
        count,
        total,
        total / n,
        low / n,
        high / n,
        volume,
        relative_u,
        per_ml,
        low_ml,
        high_ml,
        total == 0,
        mean_upper(total) / n,
        upper_ml,
        p_even,
        ("count: exact Poisson interval (Garwood 1936)", *how),
        tuple(_warnings(count, p_even)),
    )


def _volume(count: ParticleCount) -> float | None:
    """ML under all fields: area of a field x depth of the film, drop / slip."""
    if not (count.field_mm and count.drop_ul and count.slip_mm2):
        return None
    return len(count.fields) * field_area(count.field_mm) * count.drop_ul / count.slip_mm2 / 1000.0


def _spread(count: ParticleCount) -> tuple[float, list[str]]:
    """Relative standard uncertainty of the volume, and where it comes from."""
    parts = [_drop_u(count)]
    how: list[str] = []
    if _volume(count) is None:
        return parts[0], how
    if count.drop_ul_u:
        how.append(f"drop: {100 * parts[0]:.1f} % as stated")
    else:
        how.append(f"drop: ±{100 * DROP_SPREAD:.0f} %, all equally likely (common practice)")
    field = _field_u(count)
    words = "as stated" if count.field_mm_u else "±5 % of the diameter (common practice)"
    how.append(f"area of the field: {100 * field:.1f} %, {words}")
    parts.append(field)
    if count.slip_mm2_u:
        parts.append(count.slip_mm2_u / count.slip_mm2)
        how.append(f"cover slip: {100 * parts[-1]:.1f} % as stated")
    else:
        how.append("cover slip: the drop is taken to fill it evenly")
    how.append(
        "per mL: the exact tails averaged over the volume, log-normal (Cousins & Highland 1992)"
    )
    return math.hypot(*parts), how


def _drop_u(count: ParticleCount) -> float:
    if count.drop_ul and count.drop_ul_u:
        return count.drop_ul_u / count.drop_ul
    return rectangular_u(DROP_SPREAD)


def _field_u(count: ParticleCount) -> float:
    """Of the area: twice that of the diameter."""
    if count.field_mm and count.field_mm_u:
        return 2.0 * count.field_mm_u / count.field_mm
    return 2.0 * rectangular_u(FIELD_SPREAD)


def _evenness(fields: tuple[int, ...]) -> float:
    """Chi-square test of equal means (Fisher's index of dispersion), upper tail."""
    mean = fmean(fields)
    if len(fields) < 2 or mean == 0:
        return 1.0
    chi2 = math.fsum((one - mean) ** 2 for one in fields) / mean
    return 1.0 - regularised_gamma((len(fields) - 1) / 2.0, chi2 / 2.0)


def _warnings(count: ParticleCount, p_even: float) -> list[str]:
    found = []
    if p_even < _CLUMPED:
        found.append(
            "The fields differ more than chance allows: particles clump or the film is uneven, so "
            "the interval is too narrow. Mix the drop and count more fields of several drops."
        )
    if len(count.fields) < 5:
        found.append("Few fields: count ten or more, spread over the whole slip.")
    if _volume(count) is None:
        found.append("Per mL needs the field, the drop and the cover slip.")
    return found


def compare_counts(reference: ParticleCount, subject: ParticleCount) -> CountComparison:
    """Compare two counts by the exact conditional test, unequal exposures allowed.

    What two drops differ by counts even where nobody measured them; a field known only once
    cancels.
    """
    first, second = particle_result(reference), particle_result(subject)
    (looked_a, looked_b), exposure, relative_u = _exposures(first, second)
    ratio = ratio_of_rates(second.total, looked_b, first.total, looked_a, relative_u=relative_u)
    verdict, why = _judged(first, second, ratio)
    if verdict != "cannot tell" and not _is_alike(reference, subject):
        verdict = "cannot tell"
        why = "the field of one is not known: nobody knows whether as much was looked at"
    return CountComparison(first, second, ratio, exposure, verdict, why)


def _is_alike(a: ParticleCount, b: ParticleCount) -> bool:
    """Whether two fields are both known, or both looked at in the same way."""
    return bool(a.field_mm and b.field_mm) or (a.field_mm, a.optics) == (b.field_mm, b.optics)


def _exposures(first: CountResult, second: CountResult) -> tuple[tuple[float, float], str, float]:
    a, b = first.count, second.count
    drops = math.hypot(_drop_u(a), _drop_u(b))
    is_one_field = (a.field_mm, a.optics) == (b.field_mm, b.optics)
    fields = 0.0 if is_one_field else math.hypot(_field_u(a), _field_u(b))
    slips = [c.slip_mm2_u / c.slip_mm2 for c in (a, b) if c.slip_mm2]
    if first.volume_ml is not None and second.volume_ml is not None:
        u = math.hypot(drops, fields, *slips)
        return (first.volume_ml, second.volume_ml), "volume looked at", u
    if a.field_mm and b.field_mm:
        areas = [len(c.fields) * field_area(c.field_mm) for c in (a, b)]
        words = "area looked at, films taken as equally deep"
        return (areas[0], areas[1]), words, math.hypot(drops, fields)
    words = "fields, taken as equally large and deep"
    return (float(len(a.fields)), float(len(b.fields))), words, drops


def _judged(
    first: CountResult, second: CountResult, ratio: RateRatio
) -> tuple[Literal["yes", "no", "cannot tell"], str]:
    if first.total + second.total == 0:
        return "cannot tell", "none was seen in either"
    if min(first.p_even, second.p_even) < _CLUMPED:
        return "cannot tell", "the fields of one water differ more than chance allows"
    if not ratio.low <= 1.0 <= ratio.high:
        return "yes", f"equal waters would differ so in {100 * ratio.p_value:.2g} of 100 counts"
    if ratio.low >= 1.0 / FACTOR and ratio.high <= FACTOR:
        return "no", f"equal within a factor of {max(ratio.high, 1 / ratio.low):.2g}"
    return "cannot tell", f"too few were counted to see a factor of {FACTOR:g}: count more fields"
