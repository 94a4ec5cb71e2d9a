from __future__ import annotations

import os
import pty
from dataclasses import dataclass
from pathlib import Path

import pytest

from acquire.errors import MeterUnavailable, Unavailable
from drivers.ports import identity_of, is_port, resolve, serial_ports


@dataclass
class Stick:
    """A port as the system would list it."""

    device: str
    vid: int | None = 0x1209
    pid: int | None = 0x0001
    serial_number: str | None = None
    location: str | None = None
    description: str | None = "USB serial"


@pytest.fixture
def nodes(tmp_path: Path) -> list[str]:
    """Paths that exist, as /dev/ttyUSB0 and so on would."""
    paths = [tmp_path / f"ttyUSB{n}" for n in range(3)]
    for path in paths:
        path.touch()
    return [str(path) for path in paths]


def test_a_port_with_a_serial_number_is_known_by_it_wherever_it_is_plugged_in(
    nodes: list[str],
) -> None:
    before = [Stick(nodes[0], serial_number="A 7:9", location="1-1")]
    after = [Stick(nodes[2], serial_number="A 7:9", location="1-4.2")]
    (port,) = serial_ports(before)
    assert port.identity == "usb:1209:0001:A 7:9"
    assert resolve(port.identity, before) == nodes[0]
    assert resolve(port.identity, after) == nodes[2]
    assert resolve("usb:1209:0001:a 7:9".upper().replace("USB", "usb"), before) == nodes[0]


def test_without_a_serial_number_the_socket_tells_two_ports_apart(nodes: list[str]) -> None:
    sticks = [Stick(nodes[0], location="1-1:1.0"), Stick(nodes[1], location="1-2:1.0")]
    names = [port.identity for port in serial_ports(sticks)]
    assert names == ["usb:1209:0001@1-1:1.0", "usb:1209:0001@1-2:1.0"]
    assert [resolve(name, sticks) for name in names] == nodes[:2]


def test_two_ports_with_one_serial_number_are_named_by_their_sockets(nodes: list[str]) -> None:
    sticks = [Stick(nodes[n], serial_number="0001", location=f"1-{n}") for n in (0, 1)]
    assert [port.identity for port in serial_ports(sticks)] == [
        "usb:1209:0001@1-0",
        "usb:1209:0001@1-1",
    ]
    with pytest.raises(MeterUnavailable, match=r"2 ports at once.*@1-0.*@1-1"):
        resolve("usb:1209:0001:0001", sticks)


def test_a_built_in_port_is_known_by_its_path(nodes: list[str]) -> None:
    (port,) = serial_ports([Stick(nodes[0], None, None, description=None)])
    assert port.identity == nodes[0]
    assert port.description == ""


def test_the_by_id_link_of_a_port_is_shown(nodes: list[str], tmp_path: Path) -> None:
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-generic-0001").symlink_to(nodes[1])
    first, second = serial_ports([Stick(nodes[0]), Stick(nodes[1])], by_id)
    assert first.by_id == ""
    assert second.by_id == str(by_id / "usb-generic-0001")


@pytest.mark.parametrize("port", ["usb:1209:0002:X", "usb:1209:0001:Y", "usb:1209:0001@9-9"])
def test_a_port_that_is_not_there_says_which_are(nodes: list[str], port: str) -> None:
    with pytest.raises(MeterUnavailable, match="usb:1209:0001:X") as caught:
        resolve(port, [Stick(nodes[0], serial_number="X")])
    assert caught.value.reason is Unavailable.MISSING


def test_a_missing_path_says_which_ports_there_are(tmp_path: Path) -> None:
    with pytest.raises(MeterUnavailable, match="Ports now: none") as caught:
        resolve(str(tmp_path / "ttyUSB7"), [])
    assert caught.value.reason is Unavailable.MISSING


def test_paths_and_urls_resolve_to_themselves(nodes: list[str]) -> None:
    assert resolve(nodes[0], []) == nodes[0]
    assert resolve("socket://192.0.2.7:4001", []) == "socket://192.0.2.7:4001"


def test_the_identity_of_a_path_is_its_stable_name_or_itself(nodes: list[str]) -> None:
    sticks = [Stick(nodes[0], serial_number="X")]
    assert identity_of(nodes[0], sticks) == "usb:1209:0001:X"
    assert identity_of(nodes[1], sticks) == nodes[1]
    assert identity_of("socket://192.0.2.7:4001", sticks) == "socket://192.0.2.7:4001"


def test_a_link_to_a_port_has_the_identity_of_the_port(nodes: list[str], tmp_path: Path) -> None:
    link = tmp_path / "probe"
    link.symlink_to(nodes[0])
    assert identity_of(str(link), [Stick(nodes[0], serial_number="X")]) == "usb:1209:0001:X"
    assert identity_of(str(link), []) == str(link)


@pytest.mark.parametrize(
    "port",
    ["/dev/pts/3", "./probe", "usb:1209:0001:X", "usb:abcd:0001@1-1", "COM3", "rfc2217://h:1"],
)
def test_these_are_ports(port: str) -> None:
    assert is_port(port)


@pytest.mark.parametrize("port", ["", "ttyUSB0", "usb:1209:0001", "usb:12:1:X", "usb", "COM"])
def test_these_are_not(port: str) -> None:
    assert not is_port(port)
    with pytest.raises(MeterUnavailable, match="not a port"):
        resolve(port, [])


def test_what_a_device_says_of_itself_is_made_printable(nodes: list[str]) -> None:
    (port,) = serial_ports([Stick(nodes[0], description="nice\x1b[2J\u202eport" + "x" * 500)])
    assert port.description.isprintable()
    assert len(port.description) <= 120


def test_an_open_port_is_busy_and_says_who_has_it() -> None:
    master, slave = pty.openpty()
    try:
        (port,) = serial_ports([Stick(os.ttyname(slave), None, None)])
        assert port.state == "busy"
        assert f"PID {os.getpid()} (this program itself)" in port.advice
    finally:
        os.close(master)
        os.close(slave)


def test_a_free_port_is_free(nodes: list[str]) -> None:
    assert serial_ports([Stick(nodes[0])])[0].state == "free"


def test_a_port_that_may_not_be_opened_is_forbidden_and_says_what_to_do(
    nodes: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    Path(nodes[0]).chmod(0)
    monkeypatch.setattr(os, "access", lambda *_: False)  # the superuser may open everything
    (port,) = serial_ports([Stick(nodes[0])])
    assert port.state == "forbidden"
    assert port.advice


def test_a_path_that_may_not_be_looked_at_is_forbidden_and_one_of_nobody_is_a_wrong_setting(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    real = os.stat

    def stat(path: str, *args: object, **more: object) -> os.stat_result:
        if str(path) == "/secret/ttyX":
            raise PermissionError(13, "Permission denied", path)
        return real(path, *args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "stat", stat)
    with pytest.raises(MeterUnavailable, match="Permission denied") as caught:
        resolve("/secret/ttyX", [])
    assert caught.value.reason is Unavailable.FORBIDDEN
    for port in ("~nosuchuser/tty", "/dev/tty\0"):
        with pytest.raises(MeterUnavailable) as caught:
            resolve(port, [])
        assert caught.value.reason is Unavailable.SETTINGS
