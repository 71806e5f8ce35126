"""Fixtures of the store's tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.stores import Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """An empty store."""
    made = Store(tmp_path / "lanterns" / ".relkit")
    yield made
    made.close()
