"""What can still be said of a revision or record that is not there any more?

A digest that a record comes after, or that this user's folder remembers, names
something that was there. Who it was about may stand in three places: in the
user's folder, in a tag object that lost its reference, and in the packages made
from a revision that was rolled back.

Not here: looking for what is there but damaged (``relkit.release.audit``).
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from relkit.errors import DamagedError
from relkit.release import ledger
from relkit.release.remembering import Known, recall, remember
from relkit.release.workspace import Workspace, read_held
from relkit.store import records, revisions


@dataclass
class _Trace:
    """What is known of something: how to call it, and whom it concerns."""

    words: str
    concerns: list[str] = field(default_factory=list)


@dataclass
class Missing:
    """Gathers what is there and what is spoken of; tells the difference."""

    _present: dict[str, str] = field(default_factory=dict)  # digest to words, if it has any
    _mentioned: dict[str, str] = field(default_factory=dict)  # digest to who comes after it
    _traces: dict[str, _Trace] = field(default_factory=dict)

    def present(self, digest: str, words: str = "") -> None:
        """Note that something is there."""
        self._present[digest] = words

    def mention(self, digest: str, words: str) -> None:
        """Note that something trusted speaks of a digest."""
        self._mentioned.setdefault(digest, words)

    def candidate(self, workspace: Workspace, commit: bytes, concerns: list[str]) -> None:
        """Note the revision that a package was made from: it may be behind no reference any more."""
        with contextlib.suppress(DamagedError):
            held = revisions.read(workspace.repository, commit)
            trace = self._traces.setdefault(held.digest, _Trace(f"revision {read_held(held).revision}"))
            trace.concerns.extend(concerns)

    def look_for_lost_records(self, workspace: Workspace, tags: Iterable[bytes]) -> None:
        """Note records whose tag is in the store and whose reference is gone."""
        for tag in tags:
            with contextlib.suppress(DamagedError):
                entry = ledger.entry_of(records.read(workspace.repository, "lost", tag))
                words = ledger.in_words(entry.record)
                self._traces[entry.held.digest] = _Trace(words, ledger.concerned(entry.record))

    def remembered(self, workspace: Workspace, ref: str) -> list[str]:
        """Return what the user's folder knows of a record by its reference."""
        short = ref[-32:][: ledger.SHORT_ID]  # a reference ends with the record's id
        with contextlib.suppress(DamagedError):
            return [
                known.what for known in recall(workspace.home, workspace.release_id) if short in known.what
            ]
        return []

    def told(self, workspace: Workspace) -> Iterator[tuple[str, str, list[str]]]:
        """Yield everything that is spoken of and not there: what it was, what is wrong, whom it concerns."""
        known = {each.digest: each.what for each in recall(workspace.home, workspace.release_id)}
        for digest in dict.fromkeys([*self._mentioned, *known]):
            if digest in self._present:
                continue
            trace = self._traces.get(digest) or _Trace(
                known.get(digest, f"what has the digest {digest[:12]}")
            )
            after = self._mentioned.get(digest)
            yield (
                trace.words,
                "was recorded here once and is not there any more"
                + (f"; {after} speaks of it" if after else ""),
                trace.concerns,
            )

    def remember_present(self, workspace: Workspace) -> None:
        """Note in the user's folder what is there and was not noted yet: another machine may have made it."""
        known = {each.digest for each in recall(workspace.home, workspace.release_id)}
        fresh = [Known(digest, words) for digest, words in self._present.items() if words]
        remember(workspace.home, workspace.release_id, [each for each in fresh if each.digest not in known])
