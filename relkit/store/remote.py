"""Another Git repository, anywhere: what it has, sending it one reference, fetching what it has more.

One commit or tag is sent at a time, with the objects that are new in it, and its
reference moves when they are there. So a connection that is cut loses what was
on its way and nothing else.

Conventions
    url    a folder, or a URL that Git servers use: file, ssh, git, http, https
    oid    20 raw bytes
    names  of references, in full

Not here: which references may move (``relkit.release.mirror``), trusting what was
fetched. This and ``relkit.release.mirror`` are the only places that use a network.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from relkit.errors import RelkitError, SurroundingsError
from relkit.filenames import shown
from relkit.store.ancestry import parents_of
from relkit.store.packing import TREE, sync_folder
from relkit.store.references import named_by
from relkit.store.repository import Repository, let_go

if TYPE_CHECKING:
    from dulwich.pack import UnpackedObject


class RemoteError(SurroundingsError):
    """The other repository cannot be reached, or refuses."""


class Remote:
    """One repository elsewhere."""

    def __init__(self, url: str) -> None:
        from dulwich.client import get_transport_and_path

        self.url = url
        with self._reached():
            self._client, path = get_transport_and_path(url)
        self._path = path.encode() if isinstance(path, str) else path

    def references(self) -> dict[str, bytes]:
        """Return all references by name.

        Raises:
            RemoteError: it cannot be reached, or is no repository.
        """
        with self._reached():
            found = self._client.get_refs(self._path).refs
        return {
            name.decode(errors="surrogateescape"): bytes.fromhex(oid.decode())
            for name, oid in found.items()
            if oid is not None and name != b"HEAD" and not name.endswith(b"^{}")
        }

    def send(
        self,
        repository: Repository,
        name: str,
        top: tuple[bytes, int],
        expected: bytes | None,
        known: Collection[bytes],
    ) -> set[bytes]:
        """Send one commit or tag, and point a reference to it.

        Args:
            top: the commit or tag, and which of the two it is.
            expected: what the reference points to there; None for nothing.
            known: objects that are surely there; what is below them is, too.

        Returns:
            The objects that were sent.

        Raises:
            RemoteError: the connection failed, or the reference has moved or was refused.
            DamagedObjectError: an object is missing here.
        """
        rows = list(_objects(repository, top, known))

        def update(there: Mapping[bytes, bytes]) -> dict[bytes, bytes]:
            found = there.get(name.encode())
            if found != (expected.hex().encode() if expected else None):
                raise RemoteError(
                    f"{shown(name)} was moved at {shown(self.url)} meanwhile", hint="Run the command again."
                )
            return {name.encode(): top[0].hex().encode()}

        def data(*_: object, **__: object) -> tuple[int, Iterator[UnpackedObject]]:
            return len(rows), (_unpacked(repository, row, kind) for row, kind in rows)

        with self._reached():
            result = self._client.send_pack(self._path, update, data)  # type: ignore[arg-type]
        refused = next((why for why in (result.ref_status or {}).values() if why is not None), None)
        if refused is not None:
            raise RemoteError(
                f"{shown(self.url)} refused {shown(name)}: {shown(str(refused))}",
                hint="Look at the server's rules; a mirror must take new references and fast-forwards.",
            )
        return {row for row, _kind in rows}

    def fetch(self, repository: Repository, wanted: Collection[bytes]) -> None:
        """Bring objects and all that is behind them into a repository; no reference moves.

        Raises:
            RemoteError: the connection failed, or they are not there.
        """
        from dulwich.repo import Repo

        hexes = [oid.hex().encode() for oid in wanted]
        with Repo(str(repository.path), bare=True) as target, self._reached():
            self._client.fetch(self._path, target, determine_wants=lambda *_a, **_k: hexes)  # type: ignore[arg-type]
        for folder in ("objects/pack", "objects"):
            sync_folder(repository.path / folder)
        repository.close()  # so that the new packs are seen

    @contextmanager
    def _reached(self) -> Iterator[None]:
        """Turn whatever goes wrong on the way into one fault."""
        try:
            yield
        except RelkitError:
            raise
        # A damaged repository in a folder shows as whatever dulwich trips over first, and what a server
        # answers may be anything: all of it means the same here.
        except Exception as error:
            let_go(error)
            raise RemoteError(
                f"{shown(self.url)} cannot be used: {shown(str(error)) or type(error).__name__}",
                hint="Check the address, your rights there, and the connection; then run the command again.",
            ) from error


def _objects(
    repository: Repository, top: tuple[bytes, int], known: Collection[bytes]
) -> Iterator[tuple[bytes, int]]:
    """Yield a commit or tag and what is new below it, every object once with its kind."""
    waiting = [top]
    seen: set[bytes] = set()
    while waiting:
        oid, kind = waiting.pop()
        if oid not in known and oid not in seen:
            seen.add(oid)
            yield oid, kind
            waiting += named_by(repository, oid, kind)


def _unpacked(repository: Repository, oid: bytes, kind: int) -> Any:
    from dulwich.pack import UnpackedObject

    data = repository.read(oid, kind)
    return UnpackedObject(kind, sha=oid, decomp_len=len(data), decomp_chunks=[data])


def below(repository: Repository, commit: bytes) -> set[bytes]:
    """Return a commit and all objects of its own tree, without what is behind it."""
    tree, _parents = parents_of(repository, commit)
    return {commit, *(oid for oid, _kind in _objects(repository, (tree, TREE), ()))}
