"""The command with a user's folder, and a small release, for the tests of the command line."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from relkit.release.home import Home
from tests.support.releases import Command, music, muted, wav, written


@pytest.fixture(scope="session")
def cli_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A user's folder with a signing key; copied by every test."""
    home = Home(tmp_path_factory.mktemp("user") / "home")
    home.signing_key()
    return home.folder


@pytest.fixture(scope="session")
def cli_template(cli_home: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A release with one revision and the session that it came from; copied by every test."""
    folder = tmp_path_factory.mktemp("template")
    relkit = Command(folder, cli_home)
    relkit.done("new", "lanterns", "--artist", "Ostrel Vane", "--title", "Lanterns on the Weir")
    song = music(1)
    takes = {"explicit": song, "clean": muted(song, 0.4, 0.1), "inst": music(2)}
    for name, samples in takes.items():
        written(folder / f"session/01 Lanterns on the Weir_{name}_v3_24b FINAL.wav", wav(samples))
    files = sorted((folder / "session").iterdir())
    relkit.done("commit", "--release", "lanterns", "--note", "first mix", *files)
    return folder


@pytest.fixture
def relkit(cli_home: Path, cli_template: Path, tmp_path: Path) -> Command:
    """The command, called inside a release with one revision; ``../session`` has the bounces."""
    home = shutil.copytree(cli_home, tmp_path / "home")
    shutil.copytree(cli_template, tmp_path / "work")
    return Command(tmp_path / "work/lanterns", Path(home))
