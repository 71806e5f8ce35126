"""A short render of the example song, made once for all tests of this folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from example_release.render import VERSIONS, render
from tests.support.example_short import SHORT_S


@pytest.fixture(scope="session")
def short_takes(tmp_path_factory: pytest.TempPathFactory) -> dict[int, dict[str, Path]]:
    """Every version of the first 14 bars, in both takes."""
    out = tmp_path_factory.mktemp("example")
    return {
        take: render(out / str(take), versions=VERSIONS, take=take, seconds_limit=SHORT_S, artwork=False)
        for take in (1, 2)
    }
