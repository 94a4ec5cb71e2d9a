"""Three browsers with the page open, as a program of their own: what they hear must be all, once.

    python -m tests.faults.soak.browsers http://127.0.0.1:8480 FOLDER SEED

One stays, one is closed and opened again and also looks at lists, one is slow. Each writes the number of
each capture and event it is told to FOLDER/NAME, one a line; they end when the page says goodbye.
"""

from __future__ import annotations

import http.client
import random
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

NAMES = ("stays", "comes_and_goes", "slow")
LOOKS = ("/", "/api/1/now", "/api/1/captures", "/api/1/events", "/api/1/meters", "/api/1/alerts")
PATIENCE_S = 5.0
"""After that long without a page there is none any more, though it said no goodbye."""


class Browser(threading.Thread):
    """Keeps the last number it heard, and goes on from there when it connects again."""

    def __init__(self, address: str, name: str, folder: Path, seed: int) -> None:
        super().__init__(name=name)
        self._address = address
        self._file = (folder / name).open("w", encoding="ascii")
        self._chance = random.Random(f"{name} {seed}")
        self._last = ""
        self._is_over = False

    def run(self) -> None:
        met = time.monotonic()
        while not self._is_over and time.monotonic() - met < PATIENCE_S:
            try:
                self._stay()
                met = time.monotonic()
            except (OSError, http.client.HTTPException):
                time.sleep(0.05)

    def _stay(self) -> None:
        """One connection, until it ends or this browser is closed."""
        connection = http.client.HTTPConnection(self._address, timeout=PATIENCE_S + 10)
        leaves = time.monotonic() + (
            self._chance.uniform(0.3, 8.0) if self.name == "comes_and_goes" else float("inf")
        )
        try:
            if self.name == "comes_and_goes":
                for path in LOOKS:
                    connection.request("GET", path)
                    connection.getresponse().read()
            headers = {"Last-Event-ID": self._last} if self._last else {}
            connection.request("GET", "/api/1/stream", headers=headers)
            answer = connection.getresponse()
            if answer.status != 200:
                raise http.client.HTTPException(answer.status)
            for event, number in said(answer):
                if number:
                    self._last = number
                self._is_over = event == "bye"
                if event in {"capture", "event"}:
                    print(number, file=self._file, flush=True)
                if self.name == "slow":
                    time.sleep(self._chance.choice((0.0, 0.0, 0.05)))
                if time.monotonic() > leaves:
                    return
        finally:
            connection.close()


def said(answer: http.client.HTTPResponse) -> Iterator[tuple[str, str]]:
    """Give name and number of each event that arrived whole (WHATWG HTML, section 9.2.6)."""
    fields: dict[str, str] = {}
    while line := answer.readline():
        name, _, value = line.decode().rstrip("\n").partition(": ")
        if name:
            fields[name] = value
        elif fields:
            yield fields.get("event", ""), fields.get("id", "")
            fields = {}


def heard_wrong(folder: Path, kept: list[int]) -> list[str]:
    """What each of them missed, heard twice, or heard out of order, of what the store has kept.

    `kept` are the numbers up to the last that all were waited for; what came later counts for none.
    """
    problems = []
    for name in NAMES:
        numbers = [int(line) for line in (folder / name).read_text("ascii").split()]
        if not numbers:
            problems.append(f"browser {name!r} heard nothing")
            continue
        wanted = [number for number in kept if number >= numbers[0]]
        got = [number for number in numbers if number <= kept[-1]]
        if got != wanted:
            missed = sorted(set(wanted) - set(got))
            twice = [number for number, count in Counter(got).items() if count > 1]
            problems.append(
                f"browser {name!r}: {len(missed)} missed {missed[:3]}, "
                f"{len(twice)} twice {twice[:3]}, {len(got)} of {len(wanted)} in all"
            )
    return problems


def main(url: str, folder: str, seed: str) -> None:
    address = urlsplit(url).netloc
    browsers = [Browser(address, name, Path(folder), int(seed)) for name in NAMES]
    for browser in browsers:
        browser.start()
    for browser in browsers:
        browser.join()


if __name__ == "__main__":
    main(*sys.argv[1:])
