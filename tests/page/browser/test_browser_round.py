"""A whole round before the page: by hand and by keys alone. Only the simulated hand moves the probe."""

from __future__ import annotations

import pytest

KITCHEN = '[meters.kitchen]\nprofile = "labelled"\nport = "./probe"\n'
PLAN = """
title = "Sunday"
[[stop]]
check = "buffer-7.00"
[[stop]]
rinse = "distilled water"
seconds = 20
[[stop]]
reference = "reverse osmosis"
[[stop]]
subject = "kitchen tap"
"""
# The first wait is for the browser, which has to begin the round meanwhile.
HAND = """
title = "A patient person"
[[stop]]
water = "buffer_7"
in_air_s = 450
dwell_s = 300
[[stop]]
water = "distilled"
dwell_s = 45
[[stop]]
water = "reverse_osmosis"
dwell_s = 540
[[stop]]
water = "tap"
dwell_s = 540
"""


@pytest.fixture
def kitchen(home):
    home.configure(KITCHEN)
    (home.folder / "plans").mkdir()
    (home.folder / "plans" / "sunday.toml").write_text(PLAN)
    (home.folder / "hand.toml").write_text(HAND)
    home.simulate("--script", "hand.toml", "--seed", "5", speed=100)
    home.serve("--speed", "100")
    return home


def test_a_whole_round_by_touch(look, kitchen):
    look.at(kitchen.url)
    look.find(".cards[data-live=yes] .card")
    look.press(".board button", "Begin a round")
    look.find(".plan h3", "Sunday")
    look.press(".plan:has(h3) button", "Begin") if look.count(".plan") == 1 else look.js(
        "[...document.querySelectorAll('.plan')].find((one) => one.textContent.includes('Sunday')).querySelector('button').click()"
    )
    look.until("document.querySelectorAll('.stones li').length === 4")
    assert look.text(".board-say")
    look.press(".board button", "Note")
    look.find("textarea").send_keys("<i>a note</i> of mine")
    look.press("button[type=submit]", "Keep note")
    look.until("!document.querySelector('textarea')")
    look.press(".board button", "Stop")  # a slip of the finger asks first
    look.press(".board button", "Go on")
    look.until(
        "[...document.querySelectorAll('.stones li')].at(-1).dataset.state === 'now'", seconds=40
    )
    assert look.count(".stones li[data-state=taken]") >= 2
    look.until(
        "Number(document.querySelector('[data-quantity=conductivity] .card-value').textContent) > 400"
        " && document.querySelector('[data-quantity=ph] .card-phase').textContent.startsWith('settl')",
        seconds=40,
    )
    look.picture("round-light")
    look.until(
        "[...document.querySelectorAll('.board-acts a')].some((one) => one.textContent === 'Report')",
        seconds=40,
    )
    kept = kitchen.get("rounds")["rounds"][0]
    assert (kept["plan"], kept["state"]) == ("sunday", "done")
    captures = {visit["capture"] for visit in kept["visits"] if visit["capture"]}
    shown = set(
        look.js(
            "return [...document.querySelectorAll('.capture')].map((one) => one.dataset.capture)"
        )
    )
    assert len(captures) == 3
    assert captures <= shown
    assert "<i>a note</i> of mine" in str(kept["visits"])
    assert look.js("return Number(document.documentElement.dataset.chimes)") >= 3
    look.press(".board-acts a", "Compare")
    look.find(".compare-row[data-verdict=yes]", "Conductivity")
    look.find(".board-say", "differ")


WHICH = """
[[stop]]
reference = "reverse osmosis"
expect = { conductivity = [0, 60] }
[[stop]]
subject = "kitchen tap"
expect = { conductivity = [300, 700] }
"""


def test_a_question_offers_its_answers_and_one_of_them_is_taken(look, home):
    """The probe stands in the tap water while the reverse osmosis is due."""
    home.configure(KITCHEN)
    (home.folder / "plans").mkdir()
    (home.folder / "plans" / "sunday.toml").write_text(WHICH)
    home.simulate("--water", "tap", "--seed", "5", speed=100)
    home.serve("--speed", "100")
    look.at(home.url)
    look.find(".cards[data-live=yes] .card")
    home.post("orders", order="round", text="sunday")
    look.find(".board-ask", "Which water is the probe in?")
    offered = "[...document.querySelectorAll('.board-question button')]"
    words = look.js(f"return {offered}.map((one) => one.textContent)")
    assert words == ["kitchen tap", "reverse osmosis", "another water"]
    assert not look.is_wider_than_the_screen()
    look.press(".board-question button", "kitchen tap")
    look.until(f"{offered}.length === 0")
    look.find(".board-say", "kitchen tap")
    states = "[...document.querySelectorAll('.stones li')].map((one) => one.dataset.state)"
    assert look.js(f"return {states}") == ["now", "to come"]  # the other one is still due
    look.find(".capture h3", "kitchen tap")


def test_an_interrupted_round_is_gone_on_with(look, kitchen):
    look.at(kitchen.url)
    look.find(".cards[data-live=yes] .card")
    kitchen.post("orders", order="round", text="sunday")
    look.press(".board button", "Skip")
    look.until("document.querySelector('.stones li')?.dataset.state === 'skipped'")
    look.driver.get("about:blank")
    assert kitchen.end(kitchen.children[-1]) <= 2.0
    kitchen.serve("--speed", "100")
    look.at(kitchen.url)
    look.press(".board button", "Go on with sunday")
    look.until("document.querySelector('.stones li')?.dataset.state === 'skipped'")
    assert [one["state"] for one in kitchen.get("rounds")["rounds"]] == ["open"]


def test_a_round_by_keys_alone(look, kitchen):
    """Tab, Enter and Space, as without a mouse or with a switch: no pointer is used."""
    from selenium.webdriver.common.keys import Keys

    def keys(*sent):
        look.driver.switch_to.active_element.send_keys(*sent)

    def reach(words, most=60):
        for _ in range(most):
            if look.js("return document.activeElement.textContent.trim()") == words:
                shown = look.js(
                    "const s = getComputedStyle(document.activeElement); return s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2"
                )
                assert shown, f"nothing shows where the focus is: {words}"
                return
            keys(Keys.TAB)
        raise AssertionError(f"not reached by Tab: {words}")

    look.at(kitchen.url)
    look.find(".board button", "Begin a round")
    keys(Keys.TAB)
    reach("To the content")
    keys(Keys.ENTER)
    reach("Begin a round")
    keys(Keys.ENTER)
    look.find(".plan h3", "Sunday")
    for _ in range(20):  # each plan has its button: the one beside its name
        if look.js(
            "return document.activeElement.closest('.plan')?.textContent.includes('Sunday') ?? false"
        ):
            break
        keys(Keys.TAB)
    keys(Keys.SPACE)
    look.until("document.querySelectorAll('.stones li').length === 4")
    reach("Skip")
    keys(Keys.ENTER)
    look.until("document.querySelector('.stones li').dataset.state === 'skipped'")
    reach("Note")
    keys(Keys.ENTER)
    keys("typed without a mouse")
    reach("Keep note")
    keys(Keys.ENTER)
    look.until("!document.querySelector('textarea')")
    reach("Redo")
    reach("Stop")
    keys(Keys.ENTER)
    reach("End it")
    keys(Keys.ENTER)
    look.until(
        "[...document.querySelectorAll('.board-acts a')].some((one) => one.textContent === 'Report')"
    )
    assert kitchen.get("rounds")["rounds"][0]["state"] == "stopped"
    reach("History")
    keys(Keys.ENTER)
    look.until("document.getElementById('view').dataset.view === 'history'")
    assert look.js("return document.activeElement.id") == "content"
