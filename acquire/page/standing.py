"""How everything stands now, from what was said: for whoever comes to the page. Pure."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any

from acquire.bench.standing import Said, Status
from acquire.clock import Clock
from acquire.config import Config, MeterConfig
from acquire.outlets.as_json import as_json
from acquire.page.shapes import status_json
from acquire.readings import Event, Flag, Reading, Stamp, utc_text
from acquire.rounds import Guidance

__all__ = ["LINES", "MeterStanding", "Standing"]

LINES = 200
"""Raw lines kept of a meter."""
_TROUBLE = {"meter_lost": "lost", "meter_not_reached": "unreached", "meter_over": "over"}


@dataclass(slots=True)
class MeterStanding:
    """One meter."""

    config: MeterConfig
    state: str
    why: str = ""
    heard: Stamp | None = None
    latest: dict[str, tuple[float | None, Flag | None, Stamp]] = field(default_factory=dict)
    status: Status | None = None
    guidance: Guidance | None = None
    reading: Reading | None = None
    lines: deque[tuple[int, int, str]] = field(default_factory=lambda: deque(maxlen=LINES))
    """Number, UTC milliseconds, text."""
    counted: int = 0


class Standing:
    """All meters of a configuration."""

    def __init__(self, config: Config, clock: Clock) -> None:
        self._config = config
        self._clock = clock
        self.meters = {
            name: MeterStanding(one, "typed" if is_typed(one) else "waiting")
            for name, one in config.meters.items()
        }

    def hear(self, said: Said) -> None:
        """Remember what concerns a meter."""
        meter = self.meters.get(getattr(said, "meter", ""))
        if meter is None:
            return
        match said:
            case Reading():
                meter.reading, meter.heard, meter.why = said, said.stamp, ""
                if meter.state != "typed":
                    meter.state = "live"
                for quantity in dict.fromkeys((*said.values, *said.flags)):
                    meter.latest[quantity] = (
                        said.values.get(quantity),
                        said.flags.get(quantity),
                        said.stamp,
                    )
                if said.raw:
                    meter.counted += 1
                    meter.lines.append((meter.counted, said.stamp.at_ms, said.raw))
            case Status():
                meter.status = said
            case Guidance():
                meter.guidance = None if said.is_over else said
            case Event(kind=kind) if kind in _TROUBLE and meter.state != "typed":
                meter.state, meter.why, meter.status = _TROUBLE[kind], said.text, None

    def meter_json(self, meter: MeterStanding) -> dict[str, Any]:
        """One meter, with the age of what it said last."""
        now = self._clock.now()
        name, settings = meter.config.name, meter.config.settings
        age_s = None if meter.heard is None else max(0.0, now.t_s - meter.heard.t_s)
        is_silent = meter.state == "live" and age_s is not None and age_s > meter.config.silence_s
        status = meter.status
        return {
            "is": "meter",
            "meter": name,
            "driver": meter.config.driver,
            "profile": str(getattr(settings, "profile", "")),
            "port": str(getattr(settings, "port", "") or getattr(settings, "address", "") or ""),
            "typed": is_typed(meter.config),
            "state": "silent" if is_silent else meter.state,
            "why": meter.why,
            "at": None if meter.heard is None else utc_text(meter.heard.at_ms),
            "age_s": None if age_s is None else round(age_s, 1),
            "silence_s": meter.config.silence_s,
            "latest": {
                quantity: {"value": value, "flag": flag and str(flag), "at": utc_text(stamp.at_ms)}
                for quantity, (value, flag, stamp) in meter.latest.items()
            },
            "status": None if status is None else status_json(status, self._config),
            "fields": [
                {
                    "quantity": one.quantity.name,
                    "label": one.quantity.label,
                    "unit": one.unit,
                    "example": one.example,
                }
                for one in fields_of(meter.config)
            ],
        }

    def guidance(self) -> list[dict[str, Any]]:
        """Where each open round stands."""
        return [as_json(m.guidance) for m in self.meters.values() if m.guidance is not None]

    @property
    def config(self) -> Config:
        return self._config


def is_typed(meter: MeterConfig) -> bool:
    """Whether a person reads it."""
    return meter.driver == "by_hand"


def fields_of(meter: MeterConfig) -> list[Any]:
    """The places on the display of a meter that a person reads (`TypedField` of the driver)."""
    settings: Any = meter.settings
    return list(settings.fields) if is_typed(meter) else []
