"""A real browser before a real `ouzel serve` with the simulated probe."""

from __future__ import annotations

import asyncio
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from acquire.clock import SystemClock
from acquire.readings import Capture, CaptureState, Event, Role, SettledValue, Stamp
from acquire.store.writer import StoreWriter
from acquire.watch.draws import Draw
from acquire.watch.kept import Alert, KeptDraw

CHROMIUM = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)
DRIVER = shutil.which("chromedriver")
PICTURES = os.environ.get("OUZEL_PICTURES")
"""Folder for the documentation's pictures; none are taken without it."""
PICTURED = [
    "bench-light",
    "bench-dark",
    "round-light",
    "no-connection",
    "compare-light",
    "history-light",
    "watch-dark",
    "count-dark",
]
"""Those that docs/page.md shows."""
HERE = Path(__file__).parent
SPEED = 60


def pytest_collection_modifyitems(items):
    if CHROMIUM and DRIVER:
        return
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(
                pytest.mark.skip(
                    reason="no chromium with its driver: apt install chromium chromium-driver"
                )
            )


class Home:
    """A folder with a configuration, a simulated probe and a daemon; all end with `close`."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.children, self.url = folder, [], ""
        self.environment = {
            **os.environ,
            "XDG_DATA_HOME": str(folder / "data"),
            "XDG_CONFIG_HOME": str(folder / "config"),
        }

    def start(self, *words):
        number = len(self.children)
        out, err = self.folder / f"out{number}", self.folder / f"err{number}"
        with out.open("w") as to, err.open("w") as wrong:
            child = subprocess.Popen(
                [sys.executable, "-m", "acquire", *words],
                cwd=self.folder,
                env=self.environment,
                stdout=to,
                stderr=wrong,
            )
        child.err = err
        self.children.append(child)
        return child

    def configure(self, text, port=0):
        (self.folder / "ouzel.toml").write_text(
            f'[store]\npath = "water.db"\n[page]\nport = {port}\n{text}', encoding="utf-8"
        )

    def simulate(self, *words, link="probe", speed=SPEED):
        child = self.start("simulate", "--link", link, "--speed", str(speed), *words)
        until((self.folder / link).exists, child=child)
        return child

    def serve(self, *words):
        child = self.start("serve", *words)
        self.url = until(lambda: address(child.err.read_text()), child=child)
        return child

    def keep(self, *items):
        """Put things into the store, before a daemon has it."""

        async def write():
            async with await StoreWriter.open(
                self.folder / "water.db", clock=SystemClock()
            ) as writer:
                for item in items:
                    await writer.keep(item)

        asyncio.run(write())

    def get(self, path):
        with urllib.request.urlopen(f"{self.url}api/1/{path}", timeout=10) as answer:
            return json.load(answer)

    def post(self, path, **said):
        asked = urllib.request.Request(
            f"{self.url}api/1/{path}",
            json.dumps(said).encode(),
            {"Content-Type": "application/json"},
        )
        with urllib.request.urlopen(asked, timeout=10) as answer:
            return json.load(answer)

    def end(self, child, number=signal.SIGTERM):
        begun = time.monotonic()
        child.send_signal(number)
        child.wait(10)
        self.children.remove(child)
        return time.monotonic() - begun

    def close(self):
        for child in [*self.children]:
            if child.poll() is None:
                child.send_signal(signal.SIGTERM)
        for child in self.children:
            try:
                child.wait(5)
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait(5)


def address(text):
    found = re.search(r"http://127\.0\.0\.1:\d+/", text)
    return found and found[0]


def until(found, seconds=20.0, child=None, why=""):
    """Wait for something true; fails at once when the child it comes from has ended."""
    deadline = time.monotonic() + seconds
    while True:
        if it := found():
            return it
        if child is not None and child.poll() is not None:
            raise AssertionError(child.err.read_text()[-600:])
        assert time.monotonic() < deadline, why or f"not within {seconds} s"
        time.sleep(0.03)


class Look:
    """The browser, with short words for what the tests do with it."""

    def __init__(self) -> None:
        from selenium import webdriver
        from selenium.webdriver.chrome.service import Service

        options = webdriver.ChromeOptions()
        options.binary_location = CHROMIUM
        for word in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--hide-scrollbars",
                     "--no-proxy-server", "--lang=en-GB", "--autoplay-policy=no-user-gesture-required"):  # fmt: skip
            options.add_argument(word)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        self.driver = webdriver.Chrome(options, Service(DRIVER))
        self.driver.set_script_timeout(20)
        self.home = None
        # Set before any script of the page: hostile names would call `alert`.
        self.cdp(
            "Page.addScriptToEvaluateOnNewDocument",
            source="window.alert = (what) => { window.wasHit = String(what); };",
        )

    def cdp(self, command, **more):
        return self.driver.execute_cdp_cmd(command, more)

    def size(self, width=390, height=844, scheme="light", *, sharp=1.0):
        self.cdp(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=sharp,
            mobile=width < 700,
        )
        self.cdp("Emulation.setEmulatedMedia", features=[
            {"name": "prefers-color-scheme", "value": scheme}, {"name": "prefers-reduced-motion", "value": "reduce"}])  # fmt: skip

    def at(self, url, view="bench", *, fresh=True):
        """Go to a view; `fresh` loads the whole page anew."""
        if fresh:
            self.driver.get("about:blank")
        self.driver.get(f"{url}#{view}")
        until(
            lambda: self.js("return document.documentElement.dataset.link === 'live'"),
            why="never live",
        )
        until(
            lambda: self.js(
                "return document.getElementById('view').dataset.view === arguments[0]",
                view.split("/")[0],
            )
        )

    def js(self, script, *arguments):
        return self.driver.execute_script(script, *arguments)

    def text(self, selector="body"):
        return self.js(
            "return [...document.querySelectorAll(arguments[0])].map((one) => one.innerText).join('\\n')",
            selector,
        )

    def count(self, selector):
        return self.js("return document.querySelectorAll(arguments[0]).length", selector)

    def find(self, selector, words=None, seconds=15.0):
        """The first visible element of that selector that holds those words."""
        script = """return [...document.querySelectorAll(arguments[0])].find((one) =>
            one.checkVisibility() && (arguments[1] === null || one.textContent.includes(arguments[1]))) ?? null"""
        return until(
            lambda: self.js(script, selector, words), seconds, why=f"no {selector} {words or ''}"
        )

    def press(self, selector, words=None):
        one = self.find(selector, words)
        self.js("arguments[0].scrollIntoView({block: 'center'})", one)
        one.click()

    def until(self, script, *arguments, seconds=15.0):
        return until(
            lambda: self.js(f"return {script}", *arguments), seconds, why=f"never: {script}"
        )

    def is_wider_than_the_screen(self):
        return self.js(
            "return document.documentElement.scrollWidth > document.documentElement.clientWidth"
        )

    def complaints(self, *but):
        """What the console holds against the page since it was asked last.

        Lines that hold every word of `but` are left out: what the test itself brought about.
        """
        held = [
            line["message"]
            for line in self.driver.get_log("browser")
            if line["level"] in {"SEVERE", "WARNING"}
        ]
        return [line for line in held if not but or any(word not in line for word in but)]

    def picture(self, name):
        """Keep a picture for the documentation, when they are wanted."""
        if PICTURES and name in PICTURED:
            Path(PICTURES).mkdir(parents=True, exist_ok=True)
            self.driver.save_screenshot(str(Path(PICTURES) / f"{name}.png"))


@pytest.fixture(scope="session")
def browser():
    look = Look()
    yield look
    look.driver.quit()
    look.driver.service.stop()


@pytest.fixture
def look(browser):
    """A browser window without past; the test fails when the page's console complains."""
    browser.driver.get("about:blank")
    browser.cdp("Storage.clearDataForOrigin", origin="*", storageTypes="all")
    browser.cdp("Network.enable")
    browser.size()
    browser.complaints()
    yield browser
    assert browser.complaints() == []


@pytest.fixture
def home(look, tmp_path):
    home = Home(tmp_path / "home")
    yield home
    look.driver.get("about:blank")  # a page that loses its daemon rightly complains
    home.close()


# -- a household with a past --------------------------------------------------------------------

HOSTILE = (
    "<img src=x onerror=alert('name')>",
    "\u202egnipp\u2066it <script>alert('script')</script>",
    "=HYPERLINK(1)\"'`" + "x" * 10_000,
)
DAY_MS = 86_400_000
WATCHES = """
[meters.kitchen]
profile = "labelled"
port = "./probe"

[meters.pen]
driver = "by_hand"

[meters.under]
profile = "labelled"
port = "./not-there"

[watch.sink]
product = "under"
feed_us_cm = 480
least_rejection_percent = 85
litres_a_day = 12
"""


def past(now_ms):
    """Captures of two waters over months, checks, draws of a filter, an alert, names nobody wants."""
    dice = random.Random(7)

    def captured(water, role, days, **values):
        at = now_ms - round(days * DAY_MS)
        return Capture(
            id=f"{dice.getrandbits(40):010x}", meter="kitchen", state=CaptureState.FINAL, water=water, role=role,
            started=Stamp(at - 200_000, 1), taken=Stamp(at, 200_000_000_001),
            values={name: SettledValue(name, value + dice.gauss(0, u / 2), u, "settled", 0.0, 120.0,
                                       budget={"noise": u / 2}) for name, (value, u) in values.items()},
        )  # fmt: skip

    for week in range(16, 0, -1):
        rises = 1.5 * (16 - week)
        for water, role, ph, ec in (
            ("distilled bottle", Role.REFERENCE, 5.8, 3.0),
            ("kitchen tap", Role.SUBJECT, 7.6, 470.0 + rises),
        ):
            yield captured(water, role, 7 * week + 0.01, ph=(ph, 0.03), conductivity=(ec, 1.0 + 0.005 * ec),
                           orp=(320.0, 6.0), temperature=(21.0, 0.2))  # fmt: skip
    for name in HOSTILE:
        yield captured(name, Role.SUBJECT, 0.05, ph=(7.1, 0.03), conductivity=(512.0, 4.0))
    for name in HOSTILE[:2]:
        yield Event("note", Stamp(now_ms - 60_000, 5), "kitchen", name, {})
    for n in range(90):
        at, value = now_ms - (90 - n) * DAY_MS // 3, 28.0 + 0.02 * n + dice.gauss(0, 0.6)
        draw = Draw(
            at, at + 150_000, 8 * 3600.0, 4.0, value, 0.3, 14.0, 61.0, value, 150, 0, 40, 0.01, 0.1
        )
        yield KeptDraw("sink", draw, 480.0, 12.0, now_ms - DAY_MS, value / 480.0, 0.002, -0.9)
    yield Alert(
        "a1b2c3d4",
        "sink",
        "breakthrough",
        now_ms - 3_600_000,
        "2 of 3 draws lie 1.5 times above the level before",
    )


@pytest.fixture(scope="session")
def furnished(tmp_path_factory):
    """One household for all tests that only look: a probe in the tap, and a past."""
    home = Home(tmp_path_factory.mktemp("furnished"))
    home.configure(WATCHES)
    home.keep(*past(round(time.time() * 1000)))
    home.simulate("--water", "tap", "--seed", "3")
    home.serve("--speed", str(SPEED))
    yield home
    home.close()
