"""Nothing stands in the house that nobody reaches: vulture over program and tests."""

from __future__ import annotations

from pathlib import Path

from vulture import Vulture

ROOT = Path(__file__).parents[1]

# Called by somebody else: names, and who calls them.
CALLED_BY = {
    "pydantic": ["model_config", "model_post_init"],
    "enum": ["_missing_"],
    "python": ["__getattr__", "__aexit__"],
    "pytest": ["pytest_*", "test_*"],
    "asyncio": ["pause_writing", "resume_writing", "connection_made", "data_received"],
    "paho, which reads them": ["connect_timeout", "SessionExpiryInterval", "WillDelayInterval"],
    "the web server, which reads them": ["redirect_slashes", "should_exit", "capture_signals"],
    "xlsxwriter, which reads it": ["fileclosed"],
    "pyserial, which reads it": ["break_condition"],
    "bleak, whose backend it stands in for": [
        *("seen_devices", "mtu_size", "unpair", "write_gatt_char", "write_gatt_descriptor"),
        "stop_notify",
    ],
    "nobody: a pseudo-terminal ignores the speed of a simulated meter": ["baud"],
}
# Results of a computation that are given although nothing shows them yet.
RESULTS = ["low_litres", "high_litres", "trend_a_day", "feed_tds", "product_tds", "zero_ph"]
DECORATORS = ["@field_validator", "@model_validator", "@pytest.fixture*", "@given", "@settings"]


def test_no_code_is_unreachable():
    names = [name for called in CALLED_BY.values() for name in called]
    search = Vulture(ignore_names=[*names, *RESULTS], ignore_decorators=DECORATORS)
    folders = [ROOT / folder for folder in ("acquire", "drivers", "simulators", "tests")]
    search.scavenge([str(folder) for folder in folders])
    dead = [
        f"{item.filename.relative_to(ROOT)}:{item.first_lineno}: {item.message}"
        for item in search.get_unused_code(min_confidence=60)
        if not item.filename.is_relative_to(ROOT / "tests")
    ]
    assert not dead, "delete it, use it, or say in this file who calls it"


def test_every_exception_is_still_needed():
    """A name that is excused and gone would excuse the next one of that name."""
    text = "\n".join(
        path.read_text("utf-8")
        for folder in ("acquire", "drivers", "simulators")
        for path in (ROOT / folder).rglob("*.py")
    )
    for name in [*RESULTS, *(n for called in CALLED_BY.values() for n in called)]:
        assert "*" in name or name in text, name
