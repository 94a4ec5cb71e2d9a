"""Words that meters use: labels of quantities in several languages, units, and words for no number.

Common practice, no source, but for the units, which are those of `acquire.quantities`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from acquire.quantities import BUILT_IN

__all__ = ["ERROR_WORDS", "NO_NUMBER", "OTHER", "OVER_WORDS", "label_means", "unit_means"]

OVER_WORDS = ("OR", "OL", "HI", "LO", "OVER", "OVR", "OFL", "UR", "UL", ">>>", "<<<", "^^^")
ERROR_WORDS = ("---", "--", "----", "-----", "Err", "Error", "NaN", "N/A", "n/a", "***", "****")
NO_NUMBER = tuple(sorted((*OVER_WORDS, *ERROR_WORDS), key=len, reverse=True))
"""What may stand in the place of a number, longest first."""

_LABELS: Mapping[str, tuple[str, ...]] = {
    "ph": ("ph", "phval", "phvalue", "ph-wert", "acidity"),
    "orp": ("orp", "redox", "rx", "eh", "mv", "rp", "oxred", "potential", "redoxpotential"),
    "conductivity": (
        *("ec", "cond", "conductivity", "conductance", "cnd", "cdt", "cd", "kappa", "κ", "σ"),
        *("lf", "leitf", "leitfähigkeit", "leitwert", "conductivite", "conductivité", "spc", "sc"),
        *("conductividad", "condutividade", "conducibilita", "us", "ms"),
    ),
    "tds": ("tds", "ppm", "solids", "dissolved", "dissolvedsolids", "td", "sdt"),
    "salinity": ("sal", "salt", "salinity", "nacl", "salz", "salzgehalt", "salinité", "salinidad"),
    "specific_gravity": (
        *("sg", "s.g", "s.g.", "gravity", "specificgravity", "specgrav", "density", "dens"),
        *("rho", "ρ", "dichte", "densité", "densidad", "d"),
    ),
    "temperature": (
        *("t", "temp", "temperature", "tmp", "tc", "tw", "temperatur", "température", "wt"),
        *("temperatura", "theta", "θ", "ϑ", "celsius", "degc", "tf"),
    ),
}
OTHER = frozenset(
    (
        *("bat", "batt", "battery", "vbat", "ubat", "akku", "rssi", "id", "no", "nr", "sn", "cnt"),
        *("count", "n", "seq", "time", "date", "uptime", "lux", "light", "depth", "press", "level"),
        *("pressure", "hum", "humidity", "rh", "do", "o2", "oxygen", "odo", "turb", "turbidity"),
        *("ntu", "cl", "cl2", "chlorine", "flow", "fw", "ver", "version", "crc", "chk", "status"),
        *("slope", "offset", "cal", "ch", "channel", "addr", "air", "tair", "nitrate", "no3"),
        *("err", "error", "code", "unknown", "invalid", "bad", "fault", "fail", "command", "cmd"),
    )
)
"""Labels of what ouzel does not measure: never taken for one of its quantities by range alone."""

_UNITS: dict[str, set[str]] = {}
for _quantity in BUILT_IN.values():
    for _unit in (*_quantity.spoken, _quantity.unit):
        if _unit not in {"", "1"}:
            _UNITS.setdefault(_unit.casefold(), set()).add(_quantity.name)
_MEANS = {word: name for name, words in _LABELS.items() for word in words}
_SPLIT = re.compile(r"[\s_./()\[\]{}:=\"'-]+")


def unit_means(word: str) -> frozenset[str]:
    """Give the quantities that are measured in this unit; none when it is no known unit."""
    return frozenset(_UNITS.get(word.strip().casefold(), ()))


def label_means(label: str) -> tuple[str, float]:
    """Give the quantity a label names and how certain that is, 0 to 1; ("", 0) when unknown.

    Something else that ouzel does not measure is ("other", certainty).
    """
    whole = _plain(label)
    if not whole:
        return "", 0.0
    known = {**dict.fromkeys(OTHER, "other"), **_MEANS}
    words = sorted(map(_plain, _SPLIT.split(label.casefold())), key=len, reverse=True)
    long = sorted(_MEANS, key=len, reverse=True)
    # Each way of finding a meaning, surest first; of several words the longest says most.
    ways = (
        (1.0, [whole]),
        (0.9, [word for word in words if word in OTHER]),
        (0.8, [word for word in words if word in _MEANS]),
        (0.7, [word for word in long if len(word) >= 3 and whole.startswith(word)]),
        (0.6, [word for word in long if len(word) >= 4 and word in whole]),
        (0.5, [word for word in reversed(long) if len(whole) >= 3 and word.startswith(whole)]),
    )
    found = ((known[word], sure) for sure, words in ways for word in words if word in known)
    return next(found, ("", 0.0))


def _plain(label: str) -> str:
    """A label without case, digits at its end and signs around it."""
    text = label.casefold().strip(" \t:=\"'()[]{}<>#*.,;|-")
    return text.rstrip("0123456789").rstrip(" _-.@") or text
