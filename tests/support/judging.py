"""Comparing what came out with what went in, by the bytes alone."""

from __future__ import annotations

from pathlib import Path


def same_bytes(left: Path, right: Path) -> None:
    """Compare two packages, folders or files."""
    if left.is_file():
        assert left.read_bytes() == right.read_bytes()
        return
    names = sorted(each.relative_to(left) for each in left.rglob("*"))
    assert names == sorted(each.relative_to(right) for each in right.rglob("*"))
    for name in names:
        if (left / name).is_file():
            assert (left / name).read_bytes() == (right / name).read_bytes()
