"""A first meter, from the page: found, learnt, read, kept; then the bench shows it."""

from __future__ import annotations

import socket
import threading
import time

import pytest


@pytest.fixture
def talker():
    """A meter on the network that says a line of numbers ten times a second."""
    ear = socket.create_server(("127.0.0.1", 0))
    over = threading.Event()

    def talk(line):
        n = 0
        try:
            while not over.is_set():
                n += 1
                line.sendall(
                    f"pH {7.00 + 0.01 * (n % 3):.2f}, EC {510 + n % 4} uS/cm, T {21.4 + 0.1 * (n % 2):.1f} C\r\n".encode()
                )
                time.sleep(0.05)
        except OSError:
            pass
        line.close()

    def listen():
        while not over.is_set():
            try:
                line, _ = ear.accept()
            except OSError:
                return
            threading.Thread(target=talk, args=(line,), daemon=True).start()

    threading.Thread(target=listen, daemon=True).start()
    yield f"socket://127.0.0.1:{ear.getsockname()[1]}"
    over.set()
    ear.close()


def test_from_no_meter_to_the_first_numbers(look, home, talker):
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    home.configure("", port=port)  # the same one after it began anew
    home.serve("--speed", "10")
    look.driver.get(home.url)
    look.until("location.hash === '#setup'")  # nothing to see yet: the page goes there by itself
    look.press("summary", "It is not in the list")
    look.find("input[name=port]").send_keys(talker)
    look.press("form button", "Listen to it")
    look.find(".learnt", seconds=40)
    assert look.count(".learnt") == 3
    assert look.js("return [...document.querySelectorAll('.learnt select')].map((one) => one.value)") == [
        "ph", "conductivity", "temperature"]  # fmt: skip
    assert look.find(".wire-lines p", "EC 51")
    assert "[object" not in look.text("#view")
    look.press("button", "Read with that")
    box = look.find("input[name=meter]", seconds=40)
    look.find(".first-reading", "°C")
    box.clear()
    box.send_keys("sink")
    look.press("button[type=submit]", "Keep it")
    look.find("a", "To the bench")
    look.until("document.documentElement.dataset.link === 'live'", seconds=30)
    look.press("a", "To the bench")
    look.find(".cards[data-live=yes] [data-quantity=temperature] .card-value", "21.", seconds=30)
    assert "sink" in (home.folder / "ouzel.toml").read_text()
    # While ouzel begins anew the line is down for a moment.
    assert look.complaints("net::ERR_") == []
