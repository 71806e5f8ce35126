"""Is every byte of the store what it should be? Objects, packs, indexes, references.

Reads everything and believes nothing: pack and index checksums, every object's
name against its bytes, every reference and what is behind it. What a damaged object
means for a file or a recipient is worked out above this room.

Not here: manifests, signatures and records (``relkit.release.audit``).
"""

from __future__ import annotations

import contextlib
import hashlib
import re
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from relkit.store.packing import TAG, object_id
from relkit.store.references import check_references
from relkit.store.repository import Repository

_BLOCK = 1 << 20
_LOOSE_NAME = re.compile("[0-9a-f]{38}")
_LOOSE_KINDS = {b"commit": 1, b"tree": 2, b"blob": 3, b"tag": 4}


@dataclass
class Integrity:
    """What was found.

    Attributes:
        faults: one line each: which file of the store, and what about it.
        bad: objects whose bytes are not what their name says, or cannot be had.
        objects: how many were read.
        tags: every good tag object, also one that no reference names.
    """

    faults: list[str] = field(default_factory=list)
    bad: set[bytes] = field(default_factory=set)
    objects: int = 0
    tags: set[bytes] = field(default_factory=set)


def check(repository: Repository, progress: Callable[[int, int], None] | None = None) -> Integrity:
    """Check every file of the store, and that everything behind its references is there.

    Args:
        progress: called with the number of packs and loose objects done, and of all.
    """
    found = Integrity()
    folder = repository.path / "objects"
    packs = sorted(folder.glob("pack/*.pack"))
    loose = sorted(path for path in folder.glob("[0-9a-f][0-9a-f]/*") if _LOOSE_NAME.fullmatch(path.name))
    steps = len(packs) + len(loose)
    present: set[bytes] = set()
    orphans: list[str] = []
    for number, pack in enumerate(packs):
        if pack.with_suffix(".idx").exists():
            present |= _check_pack(pack, found)
        else:
            orphans.append(f"objects/pack/{pack.name} has no index")
        if progress:
            progress(number + 1, steps)
    for number, path in enumerate(loose):
        present.add(_check_loose(path, found))
        if progress:
            progress(len(packs) + number + 1, steps)
    found.faults += [
        f"objects/pack/{index.name} has no pack"
        for index in sorted(folder.glob("pack/*.idx"))
        if not index.with_suffix(".pack").exists()
    ]
    faults, missing = check_references(repository, present)
    found.faults += faults
    found.bad |= missing
    if missing:  # a pack without index is what a killed process may leave; it matters only if it is needed
        found.faults += orphans
    return found


def _sealed(path: Path) -> bool:
    """Say whether a file ends with the SHA-1 of all before it, as packs and indexes do."""
    digest = hashlib.sha1(usedforsecurity=False)
    left = path.stat().st_size - 20
    if left < 0:
        return False
    with path.open("rb") as file:
        while left:
            block = file.read(min(left, _BLOCK))
            if not block:
                return False
            digest.update(block)
            left -= len(block)
        return file.read() == digest.digest()


def _check_pack(pack: Path, found: Integrity) -> set[bytes]:
    """Check a pack and its index; returns the objects that the index names."""
    from dulwich.object_format import SHA1
    from dulwich.pack import load_pack_index

    index = pack.with_suffix(".idx")
    if not _sealed(pack):
        found.faults.append(f"objects/pack/{pack.name} is damaged: its checksum does not fit")
    if not _sealed(index):
        found.faults.append(f"objects/pack/{index.name} is damaged: its checksum does not fit")
    try:
        with contextlib.closing(load_pack_index(index, SHA1)) as rows:
            entries = sorted((offset, oid) for oid, offset, _crc in rows.iterentries())
            bound = rows.get_pack_checksum()
    except Exception as error:  # noqa: BLE001 - a damaged index trips dulwich in many ways; all mean this
        found.faults.append(f"objects/pack/{index.name} cannot be read ({type(error).__name__})")
        return set()
    with pack.open("rb") as file:
        file.seek(max(0, pack.stat().st_size - 20))
        if file.read() != bound:
            found.faults.append(f"objects/pack/{index.name} belongs to another pack")
    found.objects += len(entries)
    # Objects of a sealed pack are read all the same: a forger can seal, not make bytes fit their names.
    _check_objects(pack, [oid for _offset, oid in entries], found)
    return {oid for _offset, oid in entries}


def _check_objects(pack: Path, oids: list[bytes], found: Integrity) -> None:
    from dulwich.object_format import SHA1
    from dulwich.objects import RawObjectID
    from dulwich.pack import Pack

    with contextlib.closing(Pack(str(pack.with_suffix("")), object_format=SHA1)) as opened:
        for oid in oids:
            try:
                kind, data = opened.get_raw(RawObjectID(oid))
                good = object_id(kind, data) == oid
            except Exception:  # noqa: BLE001 - as above: whatever it is, the object cannot be had
                good = False
            if not good:
                found.bad.add(oid)
                found.faults.append(f"objects/pack/{pack.name}: object {oid.hex()} is damaged")
            elif kind == TAG:
                found.tags.add(oid)


def _check_loose(path: Path, found: Integrity) -> bytes:
    """Check an object that another program left outside the packs; returns its name."""
    oid = bytes.fromhex(path.parent.name + path.name)
    found.objects += 1
    good = False
    with contextlib.suppress(zlib.error, ValueError, KeyError, OSError):
        decoder = zlib.decompressobj()
        packed = path.read_bytes()
        whole = decoder.decompress(packed)
        header, _, data = whole.partition(b"\0")
        kind, size = header.split(b" ")
        good = (
            decoder.eof
            and not decoder.unused_data
            and not _nearly_canonical(packed, whole)
            and int(size) == len(data)
            and object_id(_LOOSE_KINDS[kind], data) == oid
        )
    if not good:
        found.bad.add(oid)
        found.faults.append(f"objects/{path.parent.name}/{path.name} is damaged")
    elif _LOOSE_KINDS[kind] == TAG:
        found.tags.add(oid)
    return oid


def _nearly_canonical(packed: bytes, whole: bytes) -> bool:
    """Say whether this is what zlib writes, but for a few bits: those that no reader of zlib looks at.

    What differs more was written by another implementation, which is no fault.
    """
    levels = {0: (0, 1), 1: (2, 3, 4, 5), 2: (6,), 3: (7, 8, 9)}[packed[1] >> 6]  # RFC 1950, FLEVEL
    for level in levels:
        usual = zlib.compress(whole, level)
        if usual == packed:
            return False
        if len(usual) == len(packed):
            differing = sum(one != other for one, other in zip(usual, packed, strict=True))
            if differing == 1:
                return True
    return False
