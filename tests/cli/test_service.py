"""`ouzel service`: the unit it writes, and that it touches nobody else's."""

from __future__ import annotations

import itertools
import os
import re
import shlex
import shutil
import stat
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire import config, service_here
from acquire.cli import main, service
from acquire.errors import ConfigError
from acquire.service_unit import MARK, Service, quoted, unit_text

ANALYZE = shutil.which("systemd-analyze")
CONFIG = '[meters.kitchen]\nprofile = "labelled"\nport = "/dev/null"\n'


@pytest.fixture
def machine(tmp_path, monkeypatch):
    """A machine whose systemctl writes down what it is asked, with its own folders."""
    asked = tmp_path / "asked"
    answer = tmp_path / "answer"
    answer.write_text("LoadState=loaded\nActiveState=active\nSubState=running\nNRestarts=2\n")
    program = tmp_path / "bin" / "systemctl"
    program.parent.mkdir()
    program.write_text(
        f'#!/bin/sh\necho "$*" >> {asked}\n'
        f'case "$*" in *show*) cat {answer};; *restart*) exit ${{FAILS:-0}};; esac\n'
    )
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{program.parent}:{os.environ['PATH']}")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "home"))
    monkeypatch.setattr(service_here, "SYSTEM_UNITS", tmp_path / "etc")
    monkeypatch.setattr(service, "RUNS_HERE", str(tmp_path))
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    file = tmp_path / "ouzel.toml"
    file.write_text(CONFIG)
    return tmp_path, file, lambda: asked.read_text().splitlines() if asked.exists() else []


def settings(text):
    """Every `Name=value` line, comments gone."""
    return [tuple(m.groups()) for m in re.finditer(r"^([A-Z]\w+)=(.*)$", text, re.MULTILINE)]


def test_a_service_of_ones_own_is_written_and_started_without_root(machine, capsys):
    home, file, asked = machine
    assert main(["service", "install", "--config", str(file)]) == 0
    unit = home / "home/systemd/user/ouzel.service"
    text = unit.read_text()
    assert text.startswith(MARK)
    assert f'serve --config "{file}"' in text
    assert (
        not {"User", "DynamicUser", "StateDirectory", "ProtectSystem"} & dict(settings(text)).keys()
    )
    assert asked()[:3] == [
        "--user daemon-reload",
        "--user enable ouzel.service",
        "--user restart ouzel.service",
    ]
    out = capsys.readouterr().out
    assert "runs since" in out
    assert "enable-linger" in out


def test_a_dry_run_prints_the_unit_and_changes_nothing(machine, capsys):
    home, file, asked = machine
    before = sorted(home.rglob("*"))
    assert main(["service", "install", "--config", str(file), "--dry-run"]) == 0
    said = capsys.readouterr()
    assert said.out.startswith(MARK)
    assert "systemctl --user daemon-reload" in said.err
    assert sorted(home.rglob("*")) == before
    assert asked() == []


def test_installing_again_keeps_the_unit_before(machine):
    home, file, _ = machine
    main(["service", "install", "--config", str(file)])
    unit = home / "home/systemd/user/ouzel.service"
    edited = unit.read_text() + "# mine\n"
    unit.write_text(edited)
    assert main(["service", "install", "--config", str(file)]) == 0
    assert unit.with_name("ouzel.service.before").read_text() == edited
    assert "# mine" not in unit.read_text()


@pytest.mark.parametrize("work", ["install", "remove"])
def test_a_unit_of_somebody_elses_is_neither_replaced_nor_removed(machine, capsys, work):
    home, file, asked = machine
    unit = home / "home/systemd/user/ouzel.service"
    unit.parent.mkdir(parents=True)
    unit.write_text("[Service]\nExecStart=/bin/true\n")
    more = ["--config", str(file)] if work == "install" else []
    assert main(["service", work, *more]) == 1
    assert "written by somebody else" in capsys.readouterr().err
    assert unit.read_text() == "[Service]\nExecStart=/bin/true\n"
    assert asked() == []


def test_removing_stops_it_and_leaves_configuration_and_store(machine):
    home, file, asked = machine
    main(["service", "install", "--config", str(file)])
    assert main(["service", "remove"]) == 0
    assert not (home / "home/systemd/user/ouzel.service").exists()
    assert file.read_text() == CONFIG
    assert asked()[-2:] == ["--user disable --now ouzel.service", "--user daemon-reload"]
    assert main(["service", "remove"]) == 1


def test_a_start_that_fails_is_an_error_and_says_what_systemd_said(machine, capsys, monkeypatch):
    _, file, _ = machine
    monkeypatch.setenv("FAILS", "3")
    assert main(["service", "install", "--config", str(file)]) == 1
    assert "restart ouzel.service failed" in capsys.readouterr().err


def test_status_is_one_when_it_does_not_run(machine, capsys):
    home, _, _ = machine
    (home / "answer").write_text("LoadState=loaded\nActiveState=failed\nSubState=failed\n")
    assert main(["service", "status"]) == 1
    assert "DOES NOT RUN" in capsys.readouterr().out
    (home / "answer").write_text("LoadState=not-found\nActiveState=inactive\n")
    assert main(["service", "status", "--json"]) == 1
    assert '"runs": false' in capsys.readouterr().out
    (home / "answer").write_text(
        "LoadState=loaded\nActiveState=active\nStatusText=reading \x1b[31mkitchen\n"
    )
    assert main(["service", "status"]) == 0
    assert "\x1b" not in capsys.readouterr().out


def test_where_systemd_does_not_run_it_says_what_to_do_instead(machine, capsys, monkeypatch):
    _, file, _ = machine
    monkeypatch.setattr(service, "RUNS_HERE", "/nowhere/at/all")
    assert main(["service", "install", "--config", str(file)]) == 1
    assert "ouzel serve" in capsys.readouterr().err
    assert main(["service", "status"]) == 1


def test_rights_are_asked_for_before_anything_is_written(machine, capsys, monkeypatch):
    home, file, _ = machine
    (home / "etc").mkdir()
    monkeypatch.setattr(service_here, "_require_readable", lambda *_: None)
    assert main(["service", "install", "--system", "--config", str(file)]) == 1
    assert "sudo" in capsys.readouterr().err
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    assert main(["service", "install", "--config", str(file)]) == 1
    assert "--system" in capsys.readouterr().err
    assert main(["service", "install", "--owner", "root", "--config", str(file)]) == 2
    assert list((home / "etc").iterdir()) == []


def test_a_configuration_that_cannot_be_used_is_told_at_once(machine, capsys):
    _, file, asked = machine
    file.write_text("[meters]\n")
    assert main(["service", "install", "--config", str(file)]) == 2
    assert "no meter is configured" in capsys.readouterr().err
    assert asked() == []


# -- a service of the whole machine -------------------------------------------------------------


@pytest.fixture
def opened(machine, monkeypatch):
    """The machine again; this Python may be anywhere, so only the configuration is looked at."""
    home, file, _ = machine
    asked = service_here._require_readable

    def look(path, reader, owner):
        if path == file:
            asked(path, reader, owner)

    monkeypatch.setattr(service_here, "_require_readable", look)
    for folder in (home, *home.parents):
        if folder.stat().st_uid == os.getuid():
            monkeypatch.setattr(service_here, "HOMES", (Path("/home"),))
            folder.chmod(folder.stat().st_mode | 0o055)
        if folder == Path("/tmp"):
            break
    return home, file


def system(file, **more):
    return service_here.service_here(config.load(file), for_system=True, **more)


def test_a_user_of_its_own_gets_state_groups_and_secrets_by_credential(opened):
    home, file = opened
    secret = home / "broker password"
    secret.write_text("x")
    secret.chmod(0o600)
    file.write_text(
        CONFIG + f'[mqtt]\nhost = "localhost"\nuser = "probe"\npassword_file = "{secret}"\n'
    )
    found = dict(settings(unit_text(system(file))))
    assert found["DynamicUser"] == "yes"
    assert found["StateDirectory"] == "ouzel"
    assert found["LoadCredential"] == f"mqtt.password_file:{secret}"
    assert "User" not in found


def test_a_secret_handed_over_by_the_manager_is_read_in_place_of_roots_own(
    opened, monkeypatch, tmp_path
):
    home, file = opened
    secret = home / "password"
    secret.write_text("root's")
    secret.chmod(0o600)
    file.write_text(
        CONFIG + '[mqtt]\nhost = "localhost"\nuser = "probe"\npassword_file = "password"\n'
    )
    assert config.load(file).mqtt.password_file == secret
    handed = tmp_path / "credentials" / "mqtt.password_file"
    handed.parent.mkdir()
    handed.write_text("root's")
    handed.chmod(0o400)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(handed.parent))
    secret.unlink()  # a service's own user may not even see it
    assert config.load(file).mqtt.password_file == handed


def test_a_store_where_the_service_could_not_write_is_refused_with_what_to_do(opened):
    home, file = opened
    file.write_text(f'[store]\npath = "{home}/water.db"\n' + CONFIG)
    with pytest.raises(ConfigError, match="/var/lib/ouzel"):
        system(file)
    me = subprocess.run(["id", "-un"], capture_output=True, text=True, check=True).stdout.strip()
    assert dict(settings(unit_text(system(file, owner=me))))["ReadWritePaths"] == f'"{home}"'
    file.write_text('[store]\npath = "/var/lib/ouzel/mine.db"\n' + CONFIG)
    assert "ReadWritePaths" not in unit_text(system(file))


def test_a_configuration_that_the_service_could_not_read_is_refused(opened):
    _, file = opened
    file.chmod(0o600)
    with pytest.raises(ConfigError, match="may not read"):
        system(file)
    file.chmod(0o644)
    file.parent.chmod(0o700)
    with pytest.raises(ConfigError, match="closed to others"):
        system(file)
    with pytest.raises(ConfigError, match="no such user"):
        system(file, owner="nobody-of-that-name")


@pytest.mark.parametrize("n", range(64))
def test_who_may_read_is_what_the_permission_bits_say(tmp_path, n):
    owner, group, others = (n >> 4) & 3, (n >> 2) & 3, n & 3
    file = tmp_path / "file"
    file.write_text("x")
    bits = [4 if part & 1 else 0 for part in (owner, group, others)]
    file.chmod(bits[0] << 6 | bits[1] << 3 | bits[2])
    found = file.stat()
    for (uid, gids), place in zip(
        [(found.st_uid, ()), (54321, (found.st_gid,)), (54321, ()), (None, ())],
        [6, 3, 0, 0],
        strict=True,
    ):
        expected = uid == 0 or bool(stat.S_IMODE(found.st_mode) >> place & 4)
        assert service_here._Reader(uid, gids).may(file, enter=False) == expected


# -- the text -----------------------------------------------------------------------------------

KINDS = [
    Service(Path("/opt/ouzel/bin/ouzel"), Path("/etc/ouzel.toml"), for_system=True),
    Service(
        Path("/opt/ou zel/bin/ouzel"),
        Path('/etc/a "b" 100%.toml'),
        for_system=True,
        user="root",
        groups=["dialout"],
        secrets={"mqtt.password_file": Path("/etc/100% password")},
        writable=[Path("/srv/wa ter")],
        sees_home=True,
    ),
    Service(Path("/opt/ouzel/bin/ouzel"), Path("/etc/ouzel.toml"), for_system=False),
]


@pytest.mark.parametrize("kind", KINDS)
def test_every_setting_of_the_unit_has_its_reason_above_it(kind):
    """A group of settings begins with a comment; only the plain skeleton goes without."""
    lines = unit_text(kind).splitlines()
    plain = {"Description", "ExecStart", "WantedBy"}
    for before, line in itertools.pairwise(lines):
        name = line.partition("=")[0]
        if "=" in line and not line.startswith("#") and name not in plain:
            assert before.startswith("# ") or "=" in before, line
    assert max(map(len, lines)) <= 100


@pytest.mark.parametrize("text", ["a b", 'say "x"', "50%", "$HOME", "back\\slash", "pl'ain", "µ"])
def test_a_word_means_itself_in_a_unit(text):
    # What systemd does to a quoted word, by systemd.syntax(7) and systemd.unit(5): escapes as in C,
    # then %% and $$ become single. Shell quoting agrees on the first part.
    (word,) = shlex.split(quoted(text))
    assert word.replace("%%", "%").replace("$$", "$") == text


@given(st.text(st.characters(categories=["Cc"]), min_size=1))
def test_a_control_character_never_gets_into_a_unit(text):
    with pytest.raises(ValueError, match="control character"):
        quoted(f"a{text}b")


@pytest.mark.skipif(ANALYZE is None, reason="systemd-analyze is not installed")
@pytest.mark.parametrize("kind", KINDS)
def test_systemd_itself_has_nothing_to_say_against_the_unit(tmp_path, kind):
    there = tmp_path / "ou zel"
    there.write_text("#!/bin/sh\n")
    there.chmod(0o755)
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    kind = Service(**{**{k: getattr(kind, k) for k in Service.__slots__}, "program": there})
    unit = tmp_path / "ouzel.service"
    unit.write_text(unit_text(kind))
    done = subprocess.run(
        [ANALYZE, "verify", *([] if kind.for_system else ["--user"]), str(unit)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "XDG_RUNTIME_DIR": str(tmp_path)},
    )
    assert "ouzel.service" not in done.stderr, done.stderr
    assert done.returncode == 0, done.stderr


@pytest.mark.skipif(ANALYZE is None, reason="systemd-analyze is not installed")
def test_systemd_counts_the_exposure_of_the_system_service_as_low(tmp_path):
    unit = tmp_path / "ouzel.service"
    unit.write_text(unit_text(KINDS[0]))
    done = subprocess.run(
        [ANALYZE, "security", "--offline=true", "--no-pager", "--threshold=25", str(unit)],
        capture_output=True,
        text=True,
        check=False,
    )
    if "offline" in done.stderr:
        pytest.skip("this systemd-analyze is too old for --offline")
    assert done.returncode == 0, done.stdout[-400:]
    exposure = float(re.search(r"exposure level for ouzel.service: ([\d.]+)", done.stdout)[1])
    assert exposure <= 2.5
