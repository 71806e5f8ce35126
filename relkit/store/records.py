"""Records as signed, annotated tags: one fact each, never moved, never rewritten.

    object <the commit that the fact is about>
    type commit
    tag <name of the reference below refs/tags/>
    tagger relkit <relkit@relkit.example> <time of recording> +0000

    <the record: one line of canonical JSON>
    -----BEGIN SSH SIGNATURE----- ...

Stock ``git verify-tag`` checks the signature, which covers everything before it.

Not here: what a record says (``relkit.manifest``) and who may sign
(``relkit.trust``); here it is bytes and a function that signs.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property

from relkit.errors import DamagedError
from relkit.store.packing import TAG
from relkit.store.repository import Repository
from relkit.store.revisions import IDENTITY

PREFIX = "refs/tags/"
_ARMOR = b"-----BEGIN SSH SIGNATURE-----\n"
_PAYLOAD = re.compile(
    rb"object ([0-9a-f]{40})\ntype commit\ntag ([!-~]+)\ntagger %s ([0-9]+) \+0000\n\n(.+)\n"
    % re.escape(IDENTITY)
)


@dataclass(frozen=True)
class HeldRecord:
    """A record as it lies in the store; nothing of it is checked yet.

    Attributes:
        ref: name below ``refs/tags/``.
        tag: the tag object.
        target: the commit it points to.
        name: what the tag says its own name is.
        moment: the tagger's time.
        body: the record's JSON, without the line's end.
        payload, signature: what is signed, and by what.
    """

    ref: str
    tag: bytes
    target: bytes
    name: str
    moment: datetime
    body: bytes
    payload: bytes
    signature: bytes

    @cached_property
    def digest(self) -> str:
        """What this is known by: the SHA-256 of its JSON."""
        return hashlib.sha256(self.body).hexdigest()


def write(
    repository: Repository,
    *,
    ref: str,
    target: bytes,
    body: bytes,
    moment: datetime,
    sign: Callable[[bytes], str],
) -> bytes:
    """Write a record and its reference: when this returns, it is there for good.

    Args:
        ref: name below ``refs/tags/``.
        target: the commit that it is about.
        body: canonical JSON, one line.
        sign: signs the payload for Git's namespace and returns armor.

    Returns:
        The tag object.
    """
    payload = b"\n".join(
        [
            b"object " + target.hex().encode(),
            b"type commit",
            b"tag " + ref.encode(),
            b"tagger %s %d +0000" % (IDENTITY, int(moment.timestamp())),
            b"",
            body + b"\n",
        ]
    )
    with repository.writer() as pack:
        tag = pack.add(TAG, payload + sign(payload).encode())
    repository.set_ref(PREFIX + ref, tag, None)
    return tag


def read(repository: Repository, ref: str, tag: bytes) -> HeldRecord:
    """Return the record that a reference points to.

    Raises:
        DamagedError: the object is missing, broken, or no record.
    """
    payload, armor, rest = repository.read(tag, TAG).partition(_ARMOR)
    found = _PAYLOAD.fullmatch(payload)
    try:
        if not armor or found is None:
            raise ValueError("its tag has another form")
        target, name, seconds, body = found.groups()
        return HeldRecord(
            ref,
            tag,
            bytes.fromhex(target.decode()),
            name.decode(),
            datetime.fromtimestamp(int(seconds), UTC),
            body,
            payload,
            armor + rest,
        )
    except (ValueError, OverflowError, OSError) as error:
        raise DamagedError(
            f"the record {ref} is damaged: {error}",
            hint="Run relkit audit, then restore .relkit from a copy.",
        ) from error


def references(repository: Repository) -> dict[str, bytes]:
    """Return every record's reference name, below ``refs/tags/``, and its tag."""
    return {name.removeprefix(PREFIX): tag for name, tag in repository.refs(PREFIX).items()}
