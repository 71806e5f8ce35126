"""One release for all attacks, made once; every test damages a copy of its own."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from relkit.trust.keys import SigningKey
from tests.support.tiny_release import Tiny, full_history


@pytest.fixture(scope="session", autouse=True)
def without_fsync() -> Iterator[None]:
    """Power cuts are not looked at in this process, and a busy disk would make minutes of it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _handle: None)
        yield


@pytest.fixture(scope="session")
def original(tmp_path_factory: pytest.TempPathFactory) -> Tiny:
    """The release of ``tests.support.tiny_release``; not to be changed."""
    return full_history(tmp_path_factory.mktemp("tiny"))


@pytest.fixture
def tiny(original: Tiny, tmp_path: Path) -> Tiny:
    """A copy that a test may damage."""
    return original.copy(tmp_path / "copy")


@pytest.fixture(scope="session")
def stranger() -> SigningKey:
    """A key that nobody here trusts."""
    return SigningKey.from_seed(bytes(range(32)))
