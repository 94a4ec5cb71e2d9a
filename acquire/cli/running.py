"""Talks to the ouzel that owns a meter's port, over its page, and hears what it says."""

from __future__ import annotations

import http.client
import json
import math
import ssl
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from acquire.bench.standing import Row, Status
from acquire.errors import ConfigError, MeterLost, OuzelError
from acquire.paths import real
from acquire.readings import (
    Capture,
    CaptureState,
    Event,
    Flag,
    Reading,
    Role,
    SettledValue,
    Stamp,
)
from acquire.registry import load

if TYPE_CHECKING:
    from acquire.config import MeterConfig

__all__ = ["Running", "already_reading", "running"]

_ANSWER_S = 5.0
_SILENCE_S = 15.0
"""The stream says something every 5 s: silence of three times that is a dead line."""
_BACK_S = 10.0
"""How long a daemon that begins anew is waited for."""


def running(store: Path) -> Running | None:
    """Give the ouzel that writes to a store and shows a page; None when there is none."""
    store = real(store)
    plate = store.with_name(f"{store.name}.page")
    try:
        said = json.loads(plate.read_text("utf-8"))
        found = Running(plate, str(said["url"]), str(said["token"]))
        found.now()
    except (OSError, ValueError, KeyError, TypeError, http.client.HTTPException, OuzelError):
        return None
    return found


def already_reading(
    store: Path, meter: MeterConfig, *, is_named: bool
) -> tuple[Running, str] | None:
    """Give the ouzel that reads a meter now, and what it calls it; None where there is none.

    A meter of which a person gave the port, not the name, is looked for by its port alone.
    """
    found = running(store)
    if found is None:
        return None
    port = getattr(meter.settings, "port", None)
    name = found.meter_of(meter.name if is_named else None, port)
    return None if name is None else (found, name)


@dataclass(frozen=True, slots=True)
class _Settling:
    """How a quantity comes to rest, as it was told."""

    phase: Any
    value: float
    expanded_u: float
    drift_per_min: float
    eta_s: float | None
    reason: str


class Running:
    """One daemon. Whatever fails on the line raises OSError or HTTPException."""

    def __init__(self, plate: Path, url: str, token: str) -> None:
        self._plate = plate
        self.url = url
        self._token = token
        self._captures: dict[str, Capture] = {}

    def now(self) -> dict[str, Any]:
        """How everything stands."""
        return self._ask("GET", "/api/1/now")

    def capture(self, capture_id: str) -> Capture:
        """Give a capture as it stands."""
        said = self._ask("GET", f"/api/1/captures/{capture_id}")["capture"]
        return _capture(said)

    def order(self, word: str, meter: str, text: str) -> str:
        """Have something done; ConfigError says why not."""
        said = {"order": word, "meter": meter, "text": text}
        return str(self._ask("POST", "/api/1/orders", said)["done"])

    def meter_of(self, name: str | None, port: str | None) -> str | None:
        """Give the meter of the daemon that is meant, by name or by port; None if it has none."""
        for one in self.now()["meters"]:
            if one["meter"] == name or (port and one["port"] and _is_same(port, one["port"])):
                return str(one["meter"])
        return None

    def listen(
        self, meter: str, *, for_s: float | None = None
    ) -> Iterator[Reading | Event | Capture | Status]:
        """Give what is said of a meter until the time is over.

        A daemon that begins anew is waited for; MeterLost when it does not come back.
        """
        end_s = math.inf if for_s is None else time.monotonic() + for_s
        last, lost_s = "", math.inf
        while time.monotonic() < end_s:
            try:
                for event, data, number in self._stream(last, end_s):
                    last, lost_s = number or last, math.inf
                    item = self._item(event, data)
                    if item is not None and item.meter in {meter, ""}:
                        yield item
            except (OSError, http.client.HTTPException):
                if time.monotonic() >= end_s:
                    return
            lost_s = min(lost_s, time.monotonic())
            if time.monotonic() - lost_s > _BACK_S:
                raise MeterLost("the ouzel that reads this meter has ended")
            time.sleep(0.05)
            self._look_again()

    def _look_again(self) -> None:
        """Another run has another token, and maybe another port."""
        try:
            said = json.loads(self._plate.read_text("utf-8"))
            self.url, self._token = str(said["url"]), str(said["token"])
        except (OSError, ValueError, KeyError, TypeError):
            return

    def _connect(self, timeout_s: float) -> http.client.HTTPConnection:
        where = urlsplit(self.url)
        host, port = where.hostname or "127.0.0.1", where.port or 80
        if where.scheme != "https":
            return http.client.HTTPConnection(host, port, timeout=timeout_s)
        # Its certificate is made for its name in the house; this line does not leave the machine.
        context = ssl.create_default_context()
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
        return http.client.HTTPSConnection(host, port, timeout=timeout_s, context=context)

    def _ask(self, method: str, path: str, body: dict[str, Any] | None = None) -> dict[str, Any]:
        line = self._connect(_ANSWER_S)
        try:
            headers = {"Authorization": f"Bearer {self._token}"}
            if body is not None:
                headers["Content-Type"] = "application/json"
            line.request(method, path, None if body is None else json.dumps(body), headers)
            answer = line.getresponse()
            said = json.loads(answer.read())
        finally:
            line.close()
        if answer.status >= 400 or not isinstance(said, dict):
            raise ConfigError(f"the running ouzel says: {dict(said).get('error', answer.status)}")
        return said

    def _stream(self, last: str, end_s: float) -> Iterator[tuple[str, Any, str]]:
        line = self._connect(_SILENCE_S)
        try:
            headers = {"Authorization": f"Bearer {self._token}"}
            if last:
                headers["Last-Event-ID"] = last
            line.request("GET", "/api/1/stream", headers=headers)
            answer = line.getresponse()
            if answer.status != 200:
                raise OSError(f"status {answer.status}")
            said: dict[str, str] = {}
            while time.monotonic() < end_s:
                if line.sock is not None and not math.isinf(end_s):
                    line.sock.settimeout(max(0.01, min(_SILENCE_S, end_s - time.monotonic())))
                raw = answer.readline()
                if not raw:
                    return
                name, _, value = raw.decode("utf-8", "replace").rstrip("\r\n").partition(": ")
                if name:
                    said[name] = value
                elif said:
                    yield said.get("event", ""), json.loads(said["data"]), said.get("id", "")
                    said = {}
        finally:
            line.close()

    def _item(self, event: str, data: Any) -> Reading | Event | Capture | Status | None:
        match event:
            case "reading":
                flags = {name: Flag(flag) for name, flag in data["flags"].items()}
                return Reading(data["meter"], _stamp(data["at"]), data["values"], flags)
            case "event":
                said = {n: math.nan if v is None else v for n, v in data["data"].items()}
                return Event(data["kind"], _stamp(data["at"]), data["meter"], data["text"], said)
            case "capture":
                capture = _capture(data)
                self._captures = {capture.id: capture}
                return capture
            case "status":
                return self._status(data)
        return None

    def _status(self, data: dict[str, Any]) -> Status:
        held = data["capture"]
        stamp = _stamp(data["at"])
        unknown = Capture(
            held or "", data["meter"], CaptureState.PROVISIONAL, stamp, stamp, {}, data["water"]
        )
        return Status(
            data["meter"],
            stamp,
            data["medium"],
            data["immersion"],
            data["elapsed_s"],
            data["water"],
            tuple(_row(row) for row in data["rows"]),
            None if held is None else self._captures.get(held, unknown),
            data["unconfirmed_s"] or 0.0,
        )


def _is_same(port: str, other: str) -> bool:
    """Whether two ways to write a port lead to one; URLs are compared as they are."""

    def real_path(said: str) -> str:
        if "://" in said:
            return said
        try:
            return str(real(load("drivers.ports:resolve")(said)))
        except OuzelError:
            return said

    return real_path(port) == real_path(other)


def _row(said: dict[str, Any]) -> Row:
    flag = None if said["flag"] is None else Flag(said["flag"])
    settling = None
    if said["phase"] is not None:
        settling = _Settling(
            said["phase"],
            said["settling_value"],
            _number(said["expanded_u"]),
            _number(said["drift_per_min"]),
            said["eta_s"],
            said["reason"],
        )
    return Row(said["quantity"], said["value"], flag, settling, said["required"])


def _capture(said: dict[str, Any]) -> Capture:
    def values(table: dict[str, Any]) -> dict[str, SettledValue]:
        return {
            name: SettledValue(
                name,
                _number(one["value"]),
                _number(one["expanded_u"]),
                one["phase"],
                _number(one["drift_per_min"]),
                one["settled_after_s"],
                one["source"],
                one["method"],
                one["reason"],
                {term: _number(u) for term, u in one["budget"].items()},
            )
            for name, one in table.items()
        }

    return Capture(
        said["id"],
        said["meter"],
        CaptureState(said["state"]),
        _stamp(said["started"]),
        _stamp(said["taken"]),
        values(said["values"]),
        said["water"],
        None if said["role"] is None else Role(said["role"]),
        said["reason"],
        values(said["derived"]),
    )


def _number(said: float | None) -> float:
    return math.nan if said is None else said


def _stamp(text: str) -> Stamp:
    at_ms = round(datetime.fromisoformat(text).timestamp() * 1000)
    return Stamp(at_ms, at_ms * 1_000_000)
