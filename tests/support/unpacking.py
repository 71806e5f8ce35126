"""A store as stock Git leaves it when it unpacks everything."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

from tests.support.stores import clean_environment


def unpack(path: Path) -> None:
    """Turn all packs of a bare repository into loose objects."""
    aside = path.parent / "aside"
    shutil.move(path / "objects" / "pack", aside)
    (path / "objects" / "pack").mkdir()
    for pack in aside.glob("*.pack"):
        with pack.open("rb") as file:
            command = ["git", "-C", str(path), "unpack-objects", "-q"]
            subprocess.run(command, stdin=file, env=clean_environment(), check=True)
    shutil.rmtree(aside)
