"""``mirror``: keep a full copy on any Git server or folder, and take in what others recorded there.

What is sent moves forward only: a mirror that has something this side lacks is
never written over. Revisions go first, oldest first, then records in their
order, each by itself, so that a cut loses only the one under way.

What is taken in is believed only after every signature and digest was checked.
Records always fit, since their ids never collide. Where both sides went on from
one revision, the other side's newest is kept beside ours until the next commit
joins them.

Not here: the connection (``relkit.store.remote``), a whole release from a mirror
(``restore``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from relkit.errors import DamagedError, UsageError
from relkit.filenames import shown
from relkit.manifest import FileEntry, ShippedRecord
from relkit.release import ledger, package_files
from relkit.release.joining import beside
from relkit.release.package_files import tree_of
from relkit.release.remembering import Known, remember
from relkit.release.workspace import Workspace
from relkit.store import records, revisions
from relkit.store.ancestry import ancestors, parents_of
from relkit.store.locking import writing
from relkit.store.packing import COMMIT, TAG
from relkit.store.remote import Remote, below
from relkit.store.repository import BESIDE, REVISIONS, Repository
from relkit.store.revisions import Held

Progress = Callable[[str, int, int], None]
_HINT = "Take it in first: relkit mirror URL --take-in."


class MirrorAheadError(UsageError):
    """A mirror has something that this side lacks.

    Attributes:
        lacking: references there, in full.
    """

    def __init__(self, url: str, lacking: list[str]) -> None:
        more = f" (and {len(lacking) - 3} more)" if len(lacking) > 3 else ""
        super().__init__(
            f"{shown(url)} has what this side lacks: {', '.join(map(shown, lacking[:3]))}{more}",
            hint=_HINT,
        )
        self.lacking = lacking


class MirrorDiffersError(DamagedError):
    """A record there is another than the one here, under one name."""

    def __init__(self, url: str, name: str) -> None:
        super().__init__(
            f"{shown(name)} at {shown(url)} is another one than here, and a record never changes",
            hint="Run relkit audit on both sides; one of them was tampered with.",
        )


@dataclass(frozen=True)
class MirrorReport:
    """What went over.

    Attributes:
        revisions, records: how many were sent, or taken in.
        beside: numbers of the other side's newest revisions that the next commit will join.
    """

    url: str
    revisions: int = 0
    records: int = 0
    beside: list[int] = field(default_factory=list)


def mirror(
    workspace: Workspace, url: str, *, with_records: bool = True, progress: Progress | None = None
) -> MirrorReport:
    """Send what a mirror lacks.

    Args:
        url: see ``relkit.store.remote``; a bare repository of its own, empty at first.
        with_records: whether records of who got what go along; they hold people's names.

    Raises:
        MirrorAheadError: it has something that this side lacks; nothing was sent.
        MirrorDiffersError: a record there is another than here; nothing was sent.
        RemoteError: it cannot be reached or refuses; what went over before is there.
    """
    remote = Remote(url)
    there = remote.references()
    repository = workspace.repository
    newest = repository.ref(REVISIONS)
    chain = list(ancestors(repository, newest))
    here = repository.refs(records.PREFIX)
    _require_nothing_new(url, there, set(chain), here, with_records=with_records)
    sending = _steps(repository, newest, there.get(REVISIONS))
    waiting = [
        entry.held for entry in ledger.read(workspace).entries if records.PREFIX + entry.held.ref not in there
    ]
    waiting = waiting if with_records else []
    total = len(sending) + len(waiting)
    before = there.get(REVISIONS)
    gone_over = set(ancestors(repository, before))
    for number, commit in enumerate(sending, 1):
        bases = gone_over.intersection(parents_of(repository, commit)[1])
        known = {oid for base in bases for oid in below(repository, base)}
        remote.send(repository, REVISIONS, (commit, COMMIT), before, known)
        _add_with_parents(repository, commit, gone_over)
        before = commit
        _tell(progress, number, total)
    known = _packages(repository, there)
    for number, record in enumerate(waiting, len(sending) + 1):
        base = parents_of(repository, record.target)[1]
        known |= {oid for commit in base for oid in below(repository, commit)}
        known |= remote.send(repository, records.PREFIX + record.ref, (record.tag, TAG), None, known)
        _tell(progress, number, total)
    return MirrorReport(url, len(sending), len(waiting))


def _require_nothing_new(
    url: str,
    there: Mapping[str, bytes],
    chain: set[bytes],
    here: Mapping[str, bytes],
    *,
    with_records: bool,
) -> None:
    lacking = [REVISIONS] if REVISIONS in there and there[REVISIONS] not in chain else []
    for name, oid in there.items() if with_records else ():
        if name.startswith(records.PREFIX):
            if name not in here:
                lacking.append(name)
            elif here[name] != oid:
                raise MirrorDiffersError(url, name)
    if lacking:
        raise MirrorAheadError(url, lacking)


def _steps(repository: Repository, newest: bytes | None, there: bytes | None) -> list[bytes]:
    """Return the revisions to send, oldest first, so that each follows from the one before."""
    done = set(ancestors(repository, there)) if there else set()
    steps: list[bytes] = []
    at = newest
    while at is not None and at not in done:
        steps.append(at)
        parents = parents_of(repository, at)[1]
        # Of a joint, go on where the mirror is; the other branch comes along with it.
        at = next((each for each in parents if each in done), parents[0] if parents else None)
    return steps[::-1]


def _add_with_parents(repository: Repository, commit: bytes, to: set[bytes]) -> None:
    """Add a commit and what is behind it, as far as that is not there."""
    waiting = [commit]
    while waiting:
        at = waiting.pop()
        if at not in to:
            to.add(at)
            waiting += parents_of(repository, at)[1]


def _packages(repository: Repository, there: Mapping[str, bytes]) -> set[bytes]:
    """Return the packages that a mirror has, and their stored files, so that none goes twice."""
    found: set[bytes] = set()
    targets = {
        records.read(repository, name.removeprefix(records.PREFIX), oid).target
        for name, oid in there.items()
        if name.startswith(records.PREFIX + "shipped/")
    }
    for target in targets:
        found |= {target, *revisions.read(repository, target).content.values()}
    return found


def _tell(progress: Progress | None, done: int, total: int) -> None:
    if progress:
        progress("revisions and records", done, total)


# --- taking in


def take_in(workspace: Workspace, url: str, progress: Progress | None = None) -> MirrorReport:
    """Take in what a mirror has and this side lacks.

    Raises:
        MirrorDiffersError: a record there is another than here.
        DamagedError, UntrustedSignerError: something there is not what a trusted signer wrote;
            nothing was taken in then.
        RemoteError: it cannot be reached.
    """
    remote = Remote(url)
    with writing(workspace.inside):
        there = remote.references()
        repository = workspace.repository
        here = repository.refs()
        fresh = {
            name: oid for name, oid in there.items() if name.startswith(records.PREFIX) and name not in here
        }
        for name, oid in there.items():
            if name.startswith(records.PREFIX) and here.get(name, oid) != oid:
                raise MirrorDiffersError(url, name)
        theirs, ours = there.get(REVISIONS), here.get(REVISIONS)
        mine = set(ancestors(repository, ours))
        wanted = [*fresh.values(), *([theirs] if theirs and theirs not in mine else [])]
        if not wanted:
            return MirrorReport(url)
        remote.fetch(repository, wanted)
        checking = _Checking(workspace, progress)
        coming = [commit for commit in ancestors(repository, theirs) if commit not in mine]
        for commit in coming:
            checking.revision(commit)
        for name, oid in fresh.items():
            checking.record(name.removeprefix(records.PREFIX), oid)
        if theirs and coming:
            _move(repository, theirs, ours)
        for name, oid in fresh.items():
            repository.set_ref(name, oid, None)
        remember(workspace.home, workspace.release_id, checking.seen)
        numbers = sorted(each.revision.manifest.revision for each in beside(workspace))
        repository.tidy()
        return MirrorReport(url, len(coming), len(fresh), numbers)


def _move(repository: Repository, theirs: bytes, ours: bytes | None) -> None:
    """Follow the other side where it goes on from here; else keep its newest beside ours."""
    if ours is None or ours in set(ancestors(repository, theirs)):
        repository.set_ref(REVISIONS, theirs, ours)
        return
    name = f"{BESIDE}{theirs.hex()}"
    if repository.ref(name) is None:
        repository.set_ref(name, theirs, None)


@dataclass
class _Checking:
    """Checks what came, down to the last digest, before anything names it."""

    workspace: Workspace
    progress: Progress | None
    seen: list[Known] = field(default_factory=list)
    _files: set[str] = field(default_factory=set)

    def revision(self, commit: bytes) -> None:
        held = revisions.read(self.workspace.repository, commit)
        verified = self.workspace.verified_revision(held)
        previous = sorted(revisions.read(self.workspace.repository, parent).digest for parent in held.parents)
        if sorted(verified.manifest.previous) != previous:
            raise DamagedError(
                f"revision {verified.manifest.revision} there does not follow from what it says",
                hint="Nothing was taken in. Run relkit audit on the other side.",
            )
        self._whole(verified.manifest.files, held)
        self.seen.append(Known(held.digest, f"revision {verified.manifest.revision}"))

    def record(self, ref: str, tag: bytes) -> None:
        entry = ledger.entry_of(records.read(self.workspace.repository, ref, tag))
        ledger.check(self.workspace, entry)
        if isinstance(entry.record, ShippedRecord):
            _record, package = ledger.verified_shipment(self.workspace, entry)
            self._whole(package.manifest.files, package.held)
        self.seen.append(Known(entry.held.digest, ledger.in_words(entry.record)))

    def _whole(self, files: Iterable[FileEntry], held: Held) -> None:
        """Restore and hash every file that was not seen yet."""
        for entry in files:
            if entry.sha256 not in self._files:
                package_files.restore(self.workspace, tree_of(held.content, entry), entry, _nowhere)
                self._files.add(entry.sha256)
                if self.progress:
                    self.progress("checking what came", len(self._files), len(self._files))


def _nowhere(_block: bytes | memoryview) -> None:
    return None
