"""One sound pack, made once, and a memory that all tests of a process share: rules only look."""

from __future__ import annotations

from pathlib import Path

import pytest

from relkit.store.cache import Cache
from tests.support.made_song import Style, pack, parts
from tests.support.qc_packs import Made


@pytest.fixture(scope="session")
def memory(tmp_path_factory: pytest.TempPathFactory) -> Cache:
    """What was measured of any made-up pack."""
    return Cache(Path(tmp_path_factory.mktemp("qc") / "cache.sqlite"))


@pytest.fixture
def sound() -> Made:
    """A pack with nothing wrong; a fresh one for every test."""
    return pack(parts(Style()))
