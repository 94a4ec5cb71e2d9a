"""Whatever keeps us from a broker is said with what to do about it."""

from __future__ import annotations

import asyncio
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from acquire.outlets.broker_look import look
from acquire.outlets.trouble import explained, refusal
from acquire.outward import MqttConfig
from tests.broker.test_connections import secure


def of(broker, **more):
    return MqttConfig(**{"host": "127.0.0.1", "port": broker.port, **more})


async def test_a_broker_that_is_well_is_found_so(broker):
    broker.start()
    found = await look(of(broker, commands=("water",)))
    assert [good for good, _ in found] == [True, True]
    assert "without a user (MQTT 5)" in found[0][1]
    assert "publishing below ouzel/ is allowed" in found[1][1]


async def test_nobody_listening_is_said_with_what_to_do(new_port):
    ((good, text),) = await look(MqttConfig(host="127.0.0.1", port=new_port()))
    assert not good
    assert "is the broker running" in text


async def test_a_name_nobody_knows(monkeypatch):
    def unknown(*_a, **_k):
        raise socket.gaierror(-2, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    ((good, text),) = await look(MqttConfig(host="broker.invalid"))
    assert not good
    assert "look at host" in text


async def test_a_wrong_authority_names_the_key_to_write(broker, certificates):
    secure(broker, certificates)
    ((good, text),) = await look(of(broker, tls=True))
    assert not good
    assert "ca_file" in text
    (first, *_) = await look(of(broker, ca_file=certificates / "authority.pem"))
    assert first == (True, first[1])
    assert "TLS" in first[1]


async def test_tls_asked_of_a_port_without_it_and_the_other_way_round(
    broker, certificates, new_port
):
    broker.start()
    ((good, text),) = await look(of(broker, tls=True))
    assert not good
    assert "8883" in text
    broker.kill()
    secure(broker, certificates)
    ((good, text),) = await look(of(broker))
    assert not good
    assert "TLS" in text


async def test_a_missing_client_certificate_is_asked_for(broker, certificates):
    secure(broker, certificates, "require_certificate true")
    ((good, text),) = await look(of(broker, ca_file=certificates / "authority.pem"))
    assert not good
    assert "cert_file" in text or "log says" in text


async def test_a_bad_password_and_a_missing_one_say_so(broker, tmp_path):
    secret = tmp_path / "password"
    secret.write_text("wrong\n", encoding="utf-8")
    secret.chmod(0o600)
    users = broker.folder / "users"
    child = await asyncio.create_subprocess_exec(
        "mosquitto_passwd", "-b", "-c", str(users), "probe", "right"
    )
    assert await child.wait() == 0
    broker.lines[1] = "allow_anonymous false"
    broker.lines.append(f"password_file {users}")
    broker.start()
    for settings in (
        of(broker),
        of(broker, user="probe", password_file=secret),
        of(broker, version="3.1.1"),
    ):
        ((good, text),) = await look(settings)
        assert not good
        assert "user and password_file under [mqtt]" in text


async def test_rules_that_forbid_are_named_for_each_way(broker):
    rules = broker.folder / "rules"
    rules.write_text("topic read other/#\n", encoding="utf-8")
    broker.lines.append(f"acl_file {rules}")
    broker.start()
    found = await look(of(broker))
    assert [good for good, _ in found] == [True, False]
    assert "publishing to ouzel/doctor is refused" in found[1][1]


def test_reasons_without_advice_are_said_as_they_are():
    assert refusal("Server moved", 0x9D) == "the broker refused: Server moved"
    assert explained(ValueError("odd")) == "odd"
    assert "log says" in explained(None)


def run(*words):
    return subprocess.run(
        [sys.executable, "-m", "acquire", *words],
        capture_output=True,
        text=True,
        timeout=20,
        check=False,
    )


@pytest.mark.timeout(40)
def test_tail_says_when_nothing_comes_and_ends_with_the_brokers_own_exit_code(broker, monkeypatch):
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "ouzel.toml"
        file.write_text(f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n', encoding="utf-8")
        refused = run("tail", "--config", str(file))
        assert refused.returncode == 9
        assert "is the broker running" in refused.stderr
        broker.start()
        silent = run("tail", "--for", "10.5", "--config", str(file))
    assert silent.returncode == 0
    assert "nothing has come for 10 s" in silent.stderr.replace("\n", " ")
