"""Nothing stands in the house that nobody reaches: vulture over program and tests."""

from __future__ import annotations

from pathlib import Path

from vulture import Vulture

ROOT = Path(__file__).parents[1]
PROGRAM = ("acquire", "drivers", "simulators")

# Called by somebody else: names, and who calls them.
CALLED_BY = {
    "pydantic": ["model_config", "model_post_init"],
    "enum": ["_missing_"],
    "python": ["__getattr__", "__aexit__"],
    "pytest": ["pytest_*", "test_*"],
    "asyncio": ["pause_writing", "resume_writing", "connection_made", "data_received"],
    "paho, which reads them": [
        *("connect_timeout", "SessionExpiryInterval", "WillDelayInterval"),
        "on_socket_register_write",
    ],
    "the web server, which reads them": [
        *("redirect_slashes", "should_exit", "capture_signals", "main_loop", "default_headers"),
    ],
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


# Reached by tests alone, and why it stands all the same.
FOR_TESTS = {
    "what a test does to a simulated meter or its wire": [
        *("switch", "stick", "none", "reads", "breaks"),
    ],
    "numbers that are held against published ones": [
        *("signals", "lower_d3", "CELL_CONSTANT_CHANGE_PERCENT", "worst_residual_mv"),
        *("passage_25", "passage_25_u", "tds_method"),
    ],
    "what a driver has counted": ["bad_fields"],
    "aiomqtt, which reads them": [
        *("ContentType", "PayloadFormatIndicator", "MessageExpiryInterval", "UserProperty"),
    ],
    "named in a string, as drivers are": ["serial_ports"],
    "the last of three that every context manager is given": ["trace"],
}


def unreached(folders, names):
    search = Vulture(
        ignore_names=[*RESULTS, *names, *(n for called in CALLED_BY.values() for n in called)],
        ignore_decorators=DECORATORS,
    )
    search.scavenge([str(ROOT / folder) for folder in folders])
    return [
        f"{item.filename.relative_to(ROOT)}:{item.first_lineno}: {item.message}"
        for item in search.get_unused_code(min_confidence=60)
        if not item.filename.is_relative_to(ROOT / "tests")
    ]


def test_no_code_is_unreachable():
    dead = unreached([*PROGRAM, "tests"], [])
    assert not dead, "delete it, use it, or say in this file who calls it"


def test_no_code_is_there_for_its_tests_alone():
    names = [name for kept in FOR_TESTS.values() for name in kept]
    dead = unreached(PROGRAM, names)
    assert not dead, "delete it with its tests, use it, or say in this file why it stands"


def test_what_nobody_reaches_is_found(tmp_path, monkeypatch):
    (tmp_path / "acquire").mkdir()
    (tmp_path / "acquire" / "one.py").write_text(
        "def used():\n    pass\n\n\ndef left():\n    used()\n"
    )
    monkeypatch.setitem(globals(), "ROOT", tmp_path)
    assert unreached(["acquire"], []) == ["acquire/one.py:5: unused function 'left'"]
    assert unreached(["acquire"], ["left"]) == []


def test_every_exception_is_still_needed():
    """A name that is excused and gone would excuse the next one of that name."""
    text = "\n".join(
        path.read_text("utf-8") for folder in PROGRAM for path in (ROOT / folder).rglob("*.py")
    )
    excused = [*CALLED_BY.values(), *FOR_TESTS.values()]
    for name in [*RESULTS, *(n for names in excused for n in names)]:
        assert "*" in name or name in text, name
