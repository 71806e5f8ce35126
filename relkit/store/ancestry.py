"""What lies behind a commit, in an order in which nothing comes before what follows from it.

Almost every history is one line, and is read lazily. Where two machines both
went on from one revision and a later one joined them, all that lies behind the
joint is ordered first, so that both branches come before what both rest on.

Not here: what a commit means (``relkit.store.revisions``).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from relkit.store.packing import COMMIT
from relkit.store.repository import DamagedObjectError, Repository


def parents_of(repository: Repository, commit: bytes) -> tuple[bytes, list[bytes]]:
    """Return a commit's tree and its parents.

    Raises:
        DamagedError: it is missing or no commit.
    """
    tree, parents = b"", []
    for line in repository.read(commit, COMMIT).split(b"\n"):
        name, _, value = line.partition(b" ")
        if name == b"tree":
            tree = _oid(commit, value)
        elif name == b"parent":
            parents.append(_oid(commit, value))
        else:
            break
    return tree, parents


def ancestors(repository: Repository, newest: bytes | None) -> Iterator[bytes]:
    """Yield a commit and everything behind it, each once and before all that it rests on."""
    at = newest
    while at is not None:
        yield at
        parents = parents_of(repository, at)[1]
        if len(parents) > 1:
            yield from _behind_a_joint(repository, at)
            return
        at = parents[0] if parents else None


def _behind_a_joint(repository: Repository, joint: bytes) -> Iterator[bytes]:
    """Yield what lies behind a commit with several parents, the first parent's branch first."""
    behind: dict[bytes, list[bytes]] = {}
    waiting = [joint]
    while waiting:
        commit = waiting.pop()
        if commit not in behind:
            behind[commit] = list(dict.fromkeys(parents_of(repository, commit)[1]))
            waiting += behind[commit]
    children = Counter(parent for parents in behind.values() for parent in parents)
    ready = [joint]
    while ready:
        commit = ready.pop()
        if commit != joint:
            yield commit
        for parent in reversed(behind[commit]):
            children[parent] -= 1
            if not children[parent]:
                ready.append(parent)


def _oid(commit: bytes, value: bytes) -> bytes:
    try:
        oid = bytes.fromhex(value.decode("ascii"))
    except ValueError:
        oid = b""
    if len(oid) != 20:
        raise DamagedObjectError(commit, "is no commit")
    return oid
