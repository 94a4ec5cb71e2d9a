"""Every view, in every width and both schemes: readable, reachable, within the screen, harmless."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

AXE = Path(__file__).parents[1] / "vendor" / "axe" / "axe.min.js"
# A view, and what stands in it once it is drawn.
VIEWS = {
    "bench": ".card",
    "compare/distilled bottle/kitchen tap": ".compare-row",
    "history/kitchen tap": ".chart-stage canvas",
    "watch": ".chart-stage canvas",
    "meters": ".meter",
    "count": ".tally-button",
    "setup": "[data-port], #view p",
}
CARE = {"serious", "critical"}
MOST_BYTES = 150_000


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_serious_barrier_on_any_view(look, furnished, scheme):
    """axe-core's rules for WCAG 2.0 to 2.2, A and AA, and its best practice."""
    found = {}
    look.size(390, 844, scheme)
    for view, sign in VIEWS.items():
        look.at(furnished.url, view, fresh=view == "bench")
        look.find(sign)
        look.until("document.querySelectorAll('[aria-busy]').length === 0")
        look.js("for (const one of document.querySelectorAll('details')) one.open = true")
        assert not re.search(r"\[object|undefined|NaN|null", look.text("#view")), view
        if not look.js("return 'axe' in window"):
            look.js(AXE.read_text(encoding="utf-8"))
        said = look.driver.execute_async_script(
            "const done = arguments[0]; axe.run(document, {resultTypes: ['violations', 'passes']}).then((found) =>"
            " done(found), (error) => done({failure: String(error)}));"
        )
        assert len(said["passes"]) > 15, said  # so the rules were really held against something
        found[view] = [
            (one["id"], one["impact"], [node["html"][:120] for node in one["nodes"]][:3])
            for one in said["violations"]
            if one["impact"] in CARE
        ]
        look.picture(f"{view.partition('/')[0]}-{scheme}")
    assert not any(found.values()), found


@pytest.mark.parametrize("width", [320, 768, 1280])
def test_nothing_runs_over_the_side(look, furnished, width):
    look.size(width, 800)
    for view, sign in VIEWS.items():
        look.at(furnished.url, view, fresh=view == "bench")
        look.find(sign)
        look.js("for (const one of document.querySelectorAll('details')) one.open = true")
        assert not look.is_wider_than_the_screen(), view
        # What is cut off by its own box would be lost as well.
        assert (
            look.js(
                "return [...document.querySelectorAll('#view h1, #view h2, #view p, #view button')].filter((one) =>"
                " one.checkVisibility() && one.getBoundingClientRect().right > innerWidth + 1).map((one) => one.textContent)"
            )
            == []
        ), view


def test_hostile_names_are_shown_and_do_nothing(look, furnished):
    look.size(320, 800)
    for view in ("bench", "meters", "history", "compare"):
        look.at(furnished.url, view, fresh=view == "bench")
        look.find("#view h1, #view h2")
        look.until("document.querySelectorAll('[aria-busy]').length === 0")
        if view in {"history", "compare"}:
            options = look.js(
                "return [...document.querySelector('#view select').options].map((one) => one.value)"
            )
            bad = [one for one in options if "<" in one or len(one) > 5000]
            assert len(bad) >= 3
            for name in bad:
                look.js(
                    "const box = document.querySelector('#view select'); box.value = arguments[0];"
                    "box.dispatchEvent(new Event('change'))", name)  # fmt: skip
                look.until("document.querySelectorAll('[aria-busy]').length === 0")
                look.find(".capture, .compare-row, .wrong")
                assert not look.is_wider_than_the_screen(), name[:40]
        shown = look.text("#view")
        assert view == "meters" or "onerror" in look.js(
            "return document.getElementById('view').textContent"
        ), view
        assert not any(
            "\u202a" <= letter <= "\u202e" or "\u2066" <= letter <= "\u2069" for letter in shown
        )
        assert "x" * 200 not in shown
        assert not look.is_wider_than_the_screen(), view
    assert look.js("return window.wasHit ?? null") is None
    assert look.count("#view img, #view script, #view iframe") == 0
    # A name too long for an address is refused by the server, in words; nothing else is held.
    assert look.complaints("status of 4", "x" * 100) == []


def test_the_same_water_on_both_sides_changes_places(look, furnished):
    look.at(furnished.url, "compare")
    look.find(".compare-row, .wrong")
    sides = "return [...document.querySelectorAll('#view select')].map((one) => one.value)"
    first, second = look.js(sides)
    assert first != second
    look.js(
        "const [one, other] = document.querySelectorAll('#view select'); one.value = other.value;"
        "one.dispatchEvent(new Event('change'))"
    )
    assert look.js(sides) == [second, first]


def test_the_first_view_is_light(look, furnished):
    """Bytes over the wire for a browser that has nothing yet, as Chromium counts them."""
    look.cdp("Network.setCacheDisabled", cacheDisabled=True)
    look.at(furnished.url)
    look.find(".card")
    entries = json.loads(look.js(
        "return JSON.stringify([...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]"
        ".map((one) => [one.name, one.transferSize]))"))  # fmt: skip
    look.cdp("Network.setCacheDisabled", cacheDisabled=False)
    assert all(name.startswith(furnished.url) for name, _ in entries), entries
    files = [(name, size) for name, size in entries if "/api/" not in name]
    assert len(files) > 10
    assert all(size > 0 for _, size in files), files
    assert sum(size for _, size in files) <= MOST_BYTES
    assert not any("uPlot" in name for name, _ in files)  # charts come with the first chart


def test_curves_are_zoomed_by_keys_and_alerts_acknowledged(look, furnished):
    look.at(furnished.url, "watch")
    look.find(".chart-stage canvas")
    assert "rejection" in look.text(".watch-number")
    before = look.text(".u-axis") or look.js(
        "return document.querySelector('.chart-stage canvas').toDataURL()"
    )
    look.js("document.querySelector('.chart').focus()")
    look.driver.switch_to.active_element.send_keys("+", "+")
    look.until(
        "document.querySelector('.chart-stage canvas')?.toDataURL() !== arguments[0]", before
    )
    look.press("button", "I have seen it")
    look.until("!document.querySelector('.alert button')")
    assert "seen" in look.text(".alert")
    assert furnished.get("alerts")["alerts"][0]["acknowledged"] is not None
    for what in ("Product", "Feed"):
        look.press("#view .choice button", what)
        look.until("document.querySelector('.chart-figure .small')?.textContent.includes('Last')")


def test_a_meters_own_words_can_be_looked_at(look, furnished):
    look.at(furnished.url, "meters")
    look.press("[data-meter=kitchen] summary", "Raw lines")
    look.until(
        "document.querySelector('[data-meter=kitchen] .wire-lines')?.textContent.includes('pH')"
    )
    look.press("[data-meter=kitchen] summary", "Checks")
    look.find("[data-meter=kitchen] details p", "ever checked")
    assert "cannot be reached" in look.text("[data-meter=under]")


def test_light_and_dark_are_the_devices_choice_until_a_person_chooses(look, furnished):
    look.size(scheme="dark")
    look.at(furnished.url)
    ground = "getComputedStyle(document.documentElement).backgroundColor"
    dark = look.js(f"return {ground}")
    look.press(".switch[aria-label^=Colours]")
    light = look.until(f"{ground} !== arguments[0] && {ground}", dark)
    look.at(furnished.url)
    assert look.js(f"return {ground}") == light
    assert (
        look.js("return document.querySelector('.switch[aria-label^=Colours]').ariaLabel")
        == "Colours: light"
    )
