"""What this user knows of a release, outside the release.

A store whose newest revision or record was cut off is, by itself, a store that
simply ends earlier. So every digest that this user saw is noted in the user's
folder, one line each, only ever appended; audit holds it against the store.

Not here: the chain inside the store, which notices everything but the tail.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path

from relkit.release.home import Home


@dataclass(frozen=True)
class Known:
    """One digest that was once there, and what it was, in words for a person."""

    digest: str
    what: str


def recall(home: Home, release_id: str) -> list[Known]:
    """Return everything that is known of a release; torn lines of a crash are passed over."""
    try:
        lines = _file(home, release_id).read_text(encoding="utf-8", errors="replace").splitlines()
    except FileNotFoundError:
        return []
    found = []
    for line in lines:
        try:
            row = json.loads(line)
            found.append(Known(str(row["digest"]), str(row["what"])))
        except (ValueError, KeyError, TypeError):
            continue
    return found


def remember(home: Home, release_id: str, fresh: Iterable[Known]) -> None:
    """Note digests; the user's folder may be read-only, which loses only this second look."""
    file = _file(home, release_id)
    text = "".join(json.dumps(asdict(known), ensure_ascii=True) + "\n" for known in fresh)
    # What these digests name is recorded by now, so failing here would be telling an untruth.
    with contextlib.suppress(OSError):
        file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with file.open("ab+") as out:
            if out.tell() and out.seek(-1, os.SEEK_END) and out.read(1) != b"\n":
                out.write(b"\n")  # a crash tore the last line; this one must not be lost with it
            out.write(text.encode())
            out.flush()
            os.fsync(out.fileno())


def _file(home: Home, release_id: str) -> Path:
    return home.folder / "known" / f"{release_id}.jsonl"
