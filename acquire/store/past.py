"""Gives what was recorded of one meter again, from a store or an export, as a driver wants it.

`drivers.replay` may not look into the store; the program hands `open_past` in instead.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from acquire.errors import ConfigError
from acquire.readings import Channel, Reading
from acquire.store.readback import channels_of, read_csv
from acquire.store.records import Records

__all__ = ["Past", "open_past"]

_SQLITE = b"SQLite format 3\0"
_EVER_S = 1e10


@dataclass(frozen=True, slots=True)
class Past:
    """Readings of one meter in the order of time."""

    channels: Sequence[Channel]
    length_s: float
    """Wall seconds from the first reading to the last."""
    readings: Callable[[], Iterator[Reading]]


def open_past(file: Path, *, meter: str, since_ms: int = 0, until_ms: int | None = None) -> Past:
    """Look through the file once; `readings` of what it gives goes through it again.

    `meter` may be empty when the file holds only one. Times are UTC milliseconds, from `since_ms`
    to before `until_ms`.

    Raises:
        ConfigError: no readings there, or of several meters; the file cannot be understood.
        StoreError: the store cannot be read.

    """
    try:
        with file.open("rb") as opened:
            is_store = opened.read(len(_SQLITE)) == _SQLITE
    except OSError as error:
        raise ConfigError(f"cannot be read: {error.strerror or error}", file=file) from error
    if is_store:
        return _from_store(file, meter, since_ms, until_ms)
    return _from_export(file, meter, since_ms, until_ms)


def _from_store(file: Path, meter: str, since_ms: int, until_ms: int | None) -> Past:
    with Records.open(file) as records:
        series = records.series()
        name = _one_of(file, dict.fromkeys(one.meter for one in series), meter)
        channels = {one.quantity: one.channel for one in series if one.meter == name}
        first = next(records.readings(since_ms=since_ms, until_ms=until_ms, meter=name), None)
        newest = [one.stamp.at_ms for one in records.latest(within_s=_EVER_S) if one.meter == name]
    if first is None:
        raise _nothing(file, name)
    last_ms = max(newest) if until_ms is None else min(max(newest), until_ms)

    def readings() -> Iterator[Reading]:
        with Records.open(file) as again:
            yield from again.readings(since_ms=since_ms, until_ms=until_ms, meter=name)

    # The latest description of a quantity came last; a meter never described is guessed at.
    described = [channel for channel in channels.values() if channel is not None]
    if len(described) < len(channels):
        described = channels_of(readings())
    return Past(tuple(described), (last_ms - first.stamp.at_ms) * 1e-3, readings)


def _from_export(file: Path, meter: str, since_ms: int, until_ms: int | None) -> Past:
    def readings() -> Iterator[Reading]:
        for reading in read_csv(file):
            inside = since_ms <= reading.stamp.at_ms
            inside = inside and (until_ms is None or reading.stamp.at_ms < until_ms)
            if reading.meter == name and inside:
                yield reading

    name = _one_of(file, dict.fromkeys(reading.meter for reading in read_csv(file)), meter)
    channels = channels_of(readings())
    first_ms = last_ms = None
    for reading in readings():
        last_ms = reading.stamp.at_ms
        first_ms = last_ms if first_ms is None else first_ms
    if first_ms is None or last_ms is None:
        raise _nothing(file, name)
    return Past(tuple(channels), (last_ms - first_ms) * 1e-3, readings)


def _one_of(file: Path, meters: dict[str, None], meter: str) -> str:
    if meter in meters or (not meter and len(meters) == 1):
        return meter or next(iter(meters))
    problem = "no such meter in the file" if meter else "several meters in the file: name one"
    if not meters:
        problem = "no readings in the file"
    raise ConfigError(
        problem, file=file, key="meter", found=meter or None, allowed=", ".join(meters)
    )


def _nothing(file: Path, meter: str) -> ConfigError:
    return ConfigError(f"no readings of {meter!r} in the file at that time", file=file)
