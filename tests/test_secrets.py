"""A secret is read, sent to where it belongs, and shown nowhere else."""

from __future__ import annotations

import base64
import contextlib
import io
import os
import signal
import socket
import subprocess
import sys
import time

import pytest

from acquire import config
from acquire.cli import main
from acquire.errors import ConfigError
from acquire.service_here import service_here
from acquire.service_unit import unit_text

SECRET = "correct-horse-9f3b"
SHAPES = [SECRET.encode(), base64.b64encode(SECRET.encode()), SECRET.encode().hex().encode()]


def holds_secret(data):
    return [shape for shape in SHAPES if shape in data]


@pytest.fixture
def silent_broker():
    """Takes connections, keeps what was sent, never answers."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.05)
        yield server


@pytest.fixture
def folder(tmp_path, silent_broker):
    password = tmp_path / "broker-password"
    password.write_text(SECRET + "\n")
    password.chmod(0o600)
    (tmp_path / "ouzel.toml").write_text(
        '[store]\npath = "water.db"\n'
        '[meters.kitchen]\nprofile = "labelled"\nport = "/dev/no-such-port"\n'
        f'[mqtt]\nhost = "127.0.0.1"\nport = {silent_broker.getsockname()[1]}\n'
        'user = "probe"\npassword_file = "broker-password"\n'
    )
    return tmp_path


def run(*words):
    """Run a command here; give its code and all that it said."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(list(words))
    return code, (out.getvalue() + err.getvalue()).encode()


@pytest.mark.parametrize(
    "words",
    [
        ("doctor",),
        ("doctor", "--json"),
        ("config", "check"),
        ("config", "show"),
        ("config", "show", "--json"),
        ("service", "install", "--dry-run"),
    ],
    ids=" ".join,
)
def test_no_command_that_shows_settings_shows_a_secret(folder, words):
    _, said = run(*words, "--config", str(folder / "ouzel.toml"))
    assert said
    assert not holds_secret(said)


def test_the_daemon_sends_a_secret_to_the_broker_and_nowhere_else(folder, silent_broker):
    running = subprocess.Popen(
        [
            *(sys.executable, "-X", "dev", "-W", "ignore", "-m", "acquire"),
            *("serve", "--json", "--config", str(folder / "ouzel.toml")),
        ],
        env={**os.environ, "PYTHONASYNCIODEBUG": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    try:
        link = accept(silent_broker)
        sent = b""
        end = time.monotonic() + 10
        while SECRET.encode() not in sent and time.monotonic() < end:
            sent += link.recv(4096)
        link.close()
        assert SECRET.encode() in sent  # so the test looks for what was really used
        accept(silent_broker).close()  # the loss was noticed and told of: it tries again
        running.send_signal(signal.SIGTERM)
        out, err = running.communicate(timeout=20)
    finally:
        running.kill()
    assert not holds_secret(out + err)
    kept = b"".join(file.read_bytes() for file in folder.glob("water.db*"))
    assert b"runs" in kept
    assert not holds_secret(kept)


def accept(server, within_s=20):
    end = time.monotonic() + within_s
    while True:
        try:
            link, _ = server.accept()
        except TimeoutError:
            assert time.monotonic() < end, "nobody came"
        else:
            link.settimeout(5)
            return link


@pytest.mark.parametrize(
    "table",
    [
        f'[mqtt]\nhost = "localhost"\npassword = "{SECRET}"\n',
        f'[mqtt]\nhost = "localhost"\nuser = "probe"\npassword_file = "{SECRET}"\n',
        f'[mqtt]\nhost = "probe:{SECRET}@localhost"\n',
        f'[mqtt]\nhost = "localhost"\nuser = "{SECRET}"\npasword = "{SECRET}"\n',
    ],
)
@pytest.mark.parametrize("command", [("config", "check"), ("doctor",), ("config", "show")])
def test_a_secret_typed_where_none_belongs_is_not_repeated(tmp_path, monkeypatch, table, command):
    """The file's own mistake must not get into a bug report or a journal."""
    monkeypatch.chdir(tmp_path)  # paths stay short: a long one is cut before it would show
    (tmp_path / "ouzel.toml").write_text(table)
    code, said = run(*command, "--config", "ouzel.toml")
    assert code != 0
    assert b"mqtt" in said  # it says where
    assert not holds_secret(said)


@pytest.mark.parametrize("mode", [0o604, 0o602, 0o644, 0o666, 0o777])
def test_a_secret_that_everybody_may_read_or_change_is_refused(folder, mode):
    (folder / "broker-password").chmod(mode)
    with pytest.raises(ConfigError, match="everybody") as refused:
        config.load(folder / "ouzel.toml")
    assert "chmod 600" in str(refused.value)
    assert not holds_secret(str(refused.value).encode())


@pytest.mark.parametrize("mode", [0o600, 0o400, 0o640])
def test_a_secret_of_its_owner_and_group_is_taken(folder, mode):
    (folder / "broker-password").chmod(mode)
    assert config.load(folder / "ouzel.toml").mqtt is not None


@pytest.mark.parametrize("more", ["", '[programs]\non_capture = ["true"]\n'])
def test_a_configuration_with_power_that_everybody_may_change_is_refused(folder, more):
    file = folder / "ouzel.toml"
    file.write_text(file.read_text() + more)
    file.chmod(0o646)
    with pytest.raises(ConfigError, match="everybody on this machine can change it"):
        config.load(file)
    file.chmod(0o644)
    config.load(file)


def test_a_configuration_without_power_may_be_anywhere(tmp_path):
    """A stick with another system's file format shows every file as everybody's."""
    file = tmp_path / "ouzel.toml"
    file.write_text('[meters.kitchen]\nprofile = "labelled"\nport = "/dev/null"\n')
    file.chmod(0o666)
    assert config.load(file).meters


def test_the_unit_names_the_file_of_a_secret_and_does_not_hold_it(folder, monkeypatch):
    monkeypatch.setattr("acquire.service_here._require_readable", lambda *_: None)
    (folder / "ouzel.toml").write_text(
        (folder / "ouzel.toml").read_text().replace('"water.db"', '"/var/lib/ouzel/water.db"')
    )
    loaded = config.load(folder / "ouzel.toml")
    text = unit_text(service_here(loaded, for_system=True)).encode()
    assert b"LoadCredential=mqtt.password_file:" in text
    assert not holds_secret(text)
