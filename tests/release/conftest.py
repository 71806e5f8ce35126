"""A user's folder with a key, and a small release, for the tests of the verbs."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from relkit import Release
from relkit.release.home import Home
from tests.support.releases import music, muted, wav, written


@pytest.fixture(autouse=True)
def _no_waiting_for_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing here pulls the plug; that is tested where it is (``tests/store``)."""
    monkeypatch.setattr(os, "fsync", lambda _descriptor: None)


@pytest.fixture(scope="session")
def signing_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A user's folder with a signing key; copied by every test that writes to it."""
    home = Home(tmp_path_factory.mktemp("user") / "home")
    home.signing_key()
    return home.folder


@pytest.fixture
def home(signing_home: Path, tmp_path: Path) -> Home:
    """The user's folder of one test."""
    return Home(Path(shutil.copytree(signing_home, tmp_path / "home")))


@pytest.fixture
def release(home: Home, tmp_path: Path) -> Iterator[Release]:
    """A release that has nothing yet."""
    with Release.new(
        tmp_path / "lanterns",
        artist="Ostrel Vane",
        title="Lanterns on the Weir",
        tempo="122",
        key="F# minor",
        home=home,
    ) as made:
        yield made


@pytest.fixture
def bounces(tmp_path: Path) -> list[Path]:
    """Three bounces under names as people write them."""
    song = music(1)
    takes = {"explicit": song, "clean": muted(song, 0.4, 0.1), "inst": music(2)}
    return [
        written(tmp_path / "session" / f"01 Lanterns on the Weir_{name}_v3_24b FINAL.wav", wav(samples))
        for name, samples in takes.items()
    ]


@pytest.fixture
def committed(release: Release, bounces: list[Path]) -> Release:
    """A release with one revision."""
    release.commit(bounces, note="first mix")
    return release
