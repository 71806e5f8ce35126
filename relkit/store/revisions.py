"""Revisions and packages as commits: a signed manifest and the content it lists.

A commit's tree:

    format               what a reader must understand, as JSON
    manifest.json        canonical JSON
    manifest.json.sig    its SSH signature
    content/<sha256>/    one stored file each, see relkit.store.layout

A revision's parents are the revisions before it; a package's parent is its
revision. The same manifest and content give the same commit on any day: its
time is the manifest's, its author is always the same, and it names nobody.

Not here: what a manifest says (``relkit.manifest``); here it is bytes.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

from relkit.errors import DamagedError, SurroundingsError
from relkit.filenames import shown
from relkit.store.ancestry import ancestors, parents_of
from relkit.store.layout import CODINGS, PLAIN
from relkit.store.packing import BLOB, COMMIT, TREE, PackWriter
from relkit.store.repository import Repository, tree_bytes

IDENTITY = b"relkit <relkit@relkit.example>"
ALWAYS = frozenset({"layout-1", PLAIN})  # what every commit needs
FEATURES = ALWAYS | {*CODINGS}  # what this version understands


class NewerStoreError(SurroundingsError):
    """The store needs a newer relkit."""


@dataclass(frozen=True)
class Held:
    """A revision or package as it lies in the store; nothing of it is checked yet.

    Attributes:
        commit: its object.
        parents: of the commit, as objects.
        manifest: bytes of ``manifest.json``.
        signature: bytes of ``manifest.json.sig``.
        content: SHA-256 of every stored file to its tree.
        features: what a reader of this commit must understand.
    """

    commit: bytes
    parents: tuple[bytes, ...]
    manifest: bytes
    signature: bytes
    content: dict[str, bytes]
    features: frozenset[str] = ALWAYS

    @cached_property
    def digest(self) -> str:
        """What this is known by: the SHA-256 of its manifest."""
        return hashlib.sha256(self.manifest).hexdigest()


def write(
    pack: PackWriter,
    *,
    manifest: bytes,
    signature: bytes,
    content: dict[str, bytes],
    features: Iterable[str],
    parents: list[bytes],
    moment: datetime,
    message: str,
) -> bytes:
    """Write a commit for a manifest and its content; the caller sets the reference.

    Args:
        content: SHA-256 to tree, for every file that the manifest lists.
        features: what reading that content needs beside what every commit needs; see ``Intake.features``,
            and ``Held.features`` where content of an earlier commit is used again.
        moment: the manifest's own time.
        message: for people who look with Git; nothing reads it.
    """
    entries = {
        "format": (pack.add(BLOB, _format_note(features)), False),
        "manifest.json": (pack.add(BLOB, manifest), False),
        "manifest.json.sig": (pack.add(BLOB, signature), False),
        "content": (
            pack.add(TREE, tree_bytes({sha: (tree, True) for sha, tree in content.items()})),
            True,
        ),
    }
    who = b"%s %d +0000" % (IDENTITY, int(moment.timestamp()))
    lines = [b"tree " + pack.add(TREE, tree_bytes(entries)).hex().encode()]
    lines += [b"parent " + parent.hex().encode() for parent in parents]
    lines += [b"author " + who, b"committer " + who, b"", _plain(message)]
    return pack.add(COMMIT, b"\n".join(lines))


def _format_note(features: Iterable[str]) -> bytes:
    """Say what this commit needs and no more, so that a coding of one day locks nobody out of the rest."""
    document = {"features": sorted(ALWAYS.union(features)), "format": 1}
    return json.dumps(document, sort_keys=True, separators=(",", ":")).encode()


def _plain(message: str) -> bytes:
    """Make text fit for a commit: no control characters, which Git's own check refuses."""
    return b"".join(shown(line).encode() + b"\n" for line in message.strip().splitlines())


def read(repository: Repository, commit: bytes) -> Held:
    """Return what a commit holds.

    Raises:
        DamagedError: something is missing or broken.
        NewerStoreError: it was written by a relkit that can do more.
    """
    tree_oid, parents = parents_of(repository, commit)
    tree = repository.tree(tree_oid)
    features: frozenset[str] = frozenset()
    if "format" in tree:  # first: a newer relkit may have other things beside it
        features = _known_features(repository.read(tree["format"], BLOB), commit)
    missing = {"format", "manifest.json", "manifest.json.sig", "content"} - tree.keys()
    if missing:
        raise DamagedError(
            f"commit {commit.hex()} has no {min(missing)}",
            hint="Run relkit audit, then restore .relkit from a copy.",
        )
    return Held(
        commit,
        tuple(parents),
        repository.read(tree["manifest.json"], BLOB),
        repository.read(tree["manifest.json.sig"], BLOB),
        repository.tree(tree["content"]),
        features,
    )


def _known_features(blob: bytes, commit: bytes) -> frozenset[str]:
    """Return what a commit needs; refuse, clearly and early, what this version does not know."""
    try:
        document = json.loads(blob)
        version, features = document["format"], document["features"]
        if type(version) is not int or not all(isinstance(feature, str) for feature in features):
            raise TypeError("not a number and names")
        unknown = sorted(set(features) - set(FEATURES))
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise DamagedError(
            f"commit {commit.hex()} has a damaged format note",
            hint="Run relkit audit, then restore .relkit from a copy.",
        ) from error
    if version != 1 or unknown:
        needed = [f"format {version}", *unknown]
        raise NewerStoreError(
            f"this release was written by a newer relkit ({shown(', '.join(needed))})",
            hint="Update relkit, then try again.",
        )
    return frozenset(features)


def walk(
    repository: Repository, newest: bytes | None, reader: Callable[[bytes], Held] | None = None
) -> Iterator[Held]:
    """Yield a revision and all before it, newest first, each once.

    Where two machines both went on from one revision, a later one has both as
    parents; all of them are yielded before what lies behind both.
    """
    for commit in ancestors(repository, newest):
        yield reader(commit) if reader else read(repository, commit)
