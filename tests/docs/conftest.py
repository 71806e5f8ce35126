"""The folder that the documentation's examples begin in."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.support.small_song import lay_out


@pytest.fixture(scope="session")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two takes of a small song and a cover, made once."""
    folder = tmp_path_factory.mktemp("rendered")
    lay_out(folder)
    return folder


@pytest.fixture
def music(rendered: Path, tmp_path: Path) -> Path:
    """A fresh folder with the bounces in it, as a reader would begin."""
    return Path(shutil.copytree(rendered, tmp_path / "music"))
