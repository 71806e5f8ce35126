"""Files that were made from others before: found again, never made twice.

A stored derivative always wins over making it anew: another encoder, or a newer
one, would give other bytes. Two questions are asked here. Is there this very
file, with this text around the sound? And if not: is there the sound, in a file
with another text around it?

The packages that went out are the truth; the cache only answers sooner. It is
filled from them whenever one of them was not looked at yet.

Conventions
    source     sound identity of what was derived from, or SHA-256 of a file without sound
    recipe     see ``relkit.pack.renditions``; "" is the source's own sound in another wrapping
    wrapping   SHA-256 of what stands before and behind the sound; "" for a file without sound

Not here: making them (``relkit.release.rendering``).
"""

from __future__ import annotations

import json
from dataclasses import dataclass

from relkit.errors import DamagedError, UntrustedSignerError
from relkit.manifest import Derivation, FileEntry, as_document
from relkit.release.workspace import Workspace
from relkit.store import records

_FILES, _SOUNDS, _SEEN = "derived-file", "derived-sound", "derived-seen"


@dataclass(frozen=True)
class StoredFile:
    """A file in the store: what a manifest says of it, and where its content is."""

    entry: FileEntry
    tree: bytes


class Derivatives:
    """What a release has derived so far."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._is_complete = False

    def file(self, source: str, recipe: str, wrapping: str = "") -> StoredFile | None:
        """Return the file made from this source by this recipe in this wrapping."""
        return self._find(_FILES, f"{source} {recipe} {wrapping}")

    def sound(self, source: str, recipe: str) -> StoredFile | None:
        """Return a file that holds the sound of this recipe, in whatever wrapping."""
        return self._find(_SOUNDS, f"{source} {recipe}")

    def keep(self, files: list[StoredFile]) -> None:
        """Remember files that were made; nothing is lost if this is."""
        rows = [
            (stored.entry.derived_from, json.dumps([as_document(stored.entry), stored.tree.hex()]).encode())
            for stored in files
        ]
        for kind, key_of in ((_FILES, _file_key), (_SOUNDS, _sound_key)):
            self._workspace.cache.put(kind, [(key_of(made).encode(), row) for made, row in rows if made])

    def _find(self, kind: str, key: str) -> StoredFile | None:
        found = self._cached(kind, key)
        if found is None and not self._is_complete:
            self._look_through_packages()
            found = self._cached(kind, key)
        return found

    def _cached(self, kind: str, key: str) -> StoredFile | None:
        kept = self._workspace.cache.get(kind, key.encode())
        if kept is None:
            return None
        document, tree = json.loads(kept)
        content = bytes.fromhex(tree)
        # A package that was built and never recorded is not kept for ever.
        if not self._workspace.repository.has(content):
            return None
        return StoredFile(FileEntry.model_validate(document), content)

    def _look_through_packages(self) -> None:
        """Take in every package that went out and was not looked at."""
        repository, cache = self._workspace.repository, self._workspace.cache
        targets = {
            records.read(repository, ref, tag).target
            for ref, tag in records.references(repository).items()
            if ref.startswith("shipped/")
        }
        for target in sorted(targets):
            if cache.get(_SEEN, target) is not None:
                continue
            try:
                package = self._workspace.verified_package(target)
            except (DamagedError, UntrustedSignerError):
                continue  # audit says so; what was derived for it is made again
            self.keep(
                [
                    StoredFile(entry, package.held.content[entry.sha256])
                    for entry in package.manifest.files
                    if entry.derived_from is not None
                ]
            )
            cache.put(_SEEN, [(target, b"1")])
        self._is_complete = True


def _file_key(made: Derivation) -> str:
    return f"{made.source_sha256} {made.recipe} {made.wrapping or ''}"


def _sound_key(made: Derivation) -> str:
    return f"{made.source_sha256} {made.recipe}"
