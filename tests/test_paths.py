"""Paths that people write: whatever the system says becomes one clear error."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from acquire import paths
from acquire.errors import ConfigError


@pytest.fixture
def forbidden(tmp_path, monkeypatch):
    """A folder that nobody may look into; root may look everywhere, so the system is stood in for."""
    folder = tmp_path / "secret"
    folder.mkdir()
    real = os.stat

    def stat(path, *args, **kwargs):
        if folder in Path(os.fspath(path)).parents:
            raise PermissionError(13, "Permission denied", str(path))
        return real(path, *args, **kwargs)

    monkeypatch.setattr(os, "stat", stat)
    return folder


@pytest.mark.parametrize("said", ["~nosuchuser/x", "a\0b"])
def test_a_path_that_stands_for_nothing_is_told(said):
    with pytest.raises(ConfigError) as caught:
        paths.expand(said)
    assert caught.value.found == said


def test_without_a_home_folder_the_tilde_is_told(monkeypatch):
    import pwd

    def nobody(_uid):
        raise KeyError("uid not found")

    monkeypatch.delenv("HOME", raising=False)
    monkeypatch.setattr(pwd, "getpwuid", nobody)
    with pytest.raises(ConfigError, match="~ stands for no home folder here"):
        paths.home()


def test_relative_paths_are_meant_from_the_base_and_the_tilde_is_not(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path / "me"))
    assert paths.expand("a/b", tmp_path) == tmp_path / "a" / "b"
    assert paths.expand("~/b", tmp_path / "other") == tmp_path / "me" / "b"
    assert paths.expand(Path("/x"), tmp_path) == Path("/x")


def test_what_is_not_there_is_simply_not_there(tmp_path):
    file = tmp_path / "file"
    file.touch()
    assert paths.is_file(file)
    assert paths.exists(tmp_path)
    assert not paths.is_file(tmp_path)
    for missing in (tmp_path / "none", file / "below"):
        assert not paths.exists(missing)
        assert not paths.is_file(missing)


def test_what_may_not_be_looked_at_is_told(forbidden):
    for look in (paths.is_file, paths.exists):
        with pytest.raises(ConfigError, match=r"secret/x cannot be looked at: Permission denied"):
            look(forbidden / "x")


def test_a_name_too_long_and_a_ring_of_links_are_told(tmp_path):
    with pytest.raises(ConfigError, match="cannot be looked at"):
        paths.exists(tmp_path / ("x" * 5000))
    (tmp_path / "a").symlink_to(tmp_path / "b")
    (tmp_path / "b").symlink_to(tmp_path / "a")
    with pytest.raises(ConfigError, match="cannot be looked at"):
        paths.exists(tmp_path / "a")
    with pytest.raises(ConfigError, match="links go in a ring"):
        paths.real(tmp_path / "a")
