"""Newest revisions of other machines that were taken in, and wait to be joined.

The next commit names them beside our own newest as what it follows from; what
is in it is the folder as it is here.

Not here: taking them in (``mirror``).
"""

from __future__ import annotations

from dataclasses import dataclass

from relkit.release.workspace import VerifiedRevision, Workspace
from relkit.store import revisions
from relkit.store.repository import BESIDE


@dataclass(frozen=True)
class Beside:
    """One of them, and the reference that keeps it."""

    name: str
    revision: VerifiedRevision


def beside(workspace: Workspace) -> list[Beside]:
    """Return them, their signatures checked.

    Raises:
        DamagedError, UntrustedSignerError: one is not what a trusted signer wrote.
    """
    return [
        Beside(name, workspace.verified_revision(revisions.read(workspace.repository, commit)))
        for name, commit in sorted(workspace.repository.refs(BESIDE).items())
    ]


def let_go(workspace: Workspace, joined: list[Beside]) -> None:
    """Drop the references of revisions that another one follows from now."""
    for each in joined:
        workspace.repository.drop_ref(each.name, each.revision.held.commit)
