"""Makes ``format-1.tar.gz``, once: ``python -m tests.golden.make_format_1``. See README.md beside it.

Not here: checking it (``test_golden_store.py``).
"""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import tarfile
import tempfile
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from relkit.manifest import MANIFEST_NAMESPACE, read_revision
from relkit.release.ship import ShipReport
from relkit.store import records, revisions
from relkit.store.repository import REVISIONS, Repository
from relkit.trust.canonical import canonical_bytes
from relkit.trust.sshsig import sign
from tests.support.audio_bytes import chunk, fmt, mpeg_frames, riff
from tests.support.stores import aiff, as_bytes, music, wav
from tests.support.tiny_release import Tiny, document, start, tiny_cover, write_record

TARGET = Path(__file__).with_name("format-1.tar.gz")
FRAMES = 200


def bounces(take: int) -> dict[str, bytes]:
    """Return one bounce for every way in which audio is stored."""
    rng = np.random.default_rng(take)
    stereo, mono = (music(FRAMES / 44_100, take, channels=channels) for channels in (2, 1))
    mono = np.round(mono * 2**12) / 2**12  # 32 bits that are worth coding, as short as they are
    silence = bytes(6 * 4_500)
    with_silence = as_bytes(stereo, "int24") + silence + as_bytes(stereo[:40], "int24")
    loud = np.concatenate([mono, [[-0.0], [1.5], [-2.0], [1e-42], [0.1]]])
    noise = rng.integers(0, 256, 2 * 300, dtype=np.uint8).tobytes()
    foreign = chunk(b"bext", b"b" * 601)
    odd = riff(
        foreign, chunk(b"fmt ", fmt(2, 48_000, 24, extra=b"\0\0")), chunk(b"data", with_silence), foreign
    )
    return {
        "explicit.wav": wav(with_silence, "int24"),
        "clean.wav": odd,
        "instrumental.aiff": aiff(as_bytes(mono, "int16"), "int16", 1),
        "acapella.wav": wav(as_bytes(mono, "int32"), "int32", 1),
        "acapella-clean.wav": wav(as_bytes(loud, "float32"), "float32", 1),
        "dj.aif": aiff(as_bytes(loud, "float32"), "float32", 1),
        "dj-clean.wav": wav(noise, "int16", 1),
        "main.mp3": mpeg_frames(3),
        "short.wav": wav(noise[:300], "uint8", 1),
    }


@dataclass
class Expected:
    """What a later version must find."""

    revisions: dict[str, dict[str, str]] = field(default_factory=dict)  # digest to file name to SHA-256
    shipments: dict[str, dict[str, str]] = field(default_factory=dict)  # id to file name to SHA-256


def commit(tiny: Tiny, expected: Expected, note: str, *files: Path, version: str | None = None) -> None:
    """Commit, and note what every file hashes to by hashlib."""
    with tiny.open() as release:
        report = release.commit(files, version=version, note=note, session="golden")
    expected.revisions[report.digest] = {
        entry.name: hashlib.sha256((tiny.folder / entry.name).read_bytes()).hexdigest()
        for entry in report.manifest.files
    }


def ship(tiny: Tiny, expected: Expected, recipient: str, **wishes: Any) -> None:
    """Ship, and note what the package's files hash to; a ZIP is one file."""
    tiny.ship(recipient, **wishes)
    made = tiny.shipments[-1]
    files = [made.path, *made.path.rglob("*")]
    expected.shipments[made.record.id] = {
        path.relative_to(made.path.parent).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(files)
        if path.is_file()
    }


def join(tiny: Tiny, expected: Expected) -> None:
    """Make a second newest revision beside the one that is there, and one more that follows both."""
    repository = Repository(tiny.store)
    key = tiny.home.signing_key()
    newest = repository.ref(REVISIONS)
    assert newest is not None
    held = revisions.read(repository, newest)
    before = revisions.read(repository, held.parents[0])
    manifest = read_revision(json.loads(held.manifest), what="the manifest")
    other = document(manifest) | {"note": "the same day on the other machine"}
    body = canonical_bytes(other)
    joined = document(manifest) | {
        "revision": manifest.revision + 1,
        "note": "joined",
        "previous": sorted([held.digest, hashlib.sha256(body).hexdigest()]),
        "later": {"field": [1, 2.5, None, "\U0001f3a7"]},
    }
    parents = [before.commit]
    made = newest
    for text in (body, canonical_bytes(joined)):
        with repository.writer() as pack:
            made = revisions.write(
                pack,
                manifest=text,
                signature=sign(text, key, MANIFEST_NAMESPACE).encode(),
                content=held.content,
                parents=parents,
                moment=datetime.fromisoformat(manifest.recorded_at),
                message="Joined",
                features=held.features,
            )
        expected.revisions[hashlib.sha256(text).hexdigest()] = expected.revisions[held.digest]
        parents = [newest, made]
    repository.set_ref(REVISIONS, made, newest)
    repository.close()


def unknown_record(tiny: Tiny, shipment: ShipReport) -> None:
    """Write a record of a type that this version does not know."""
    repository = Repository(tiny.store)
    tag = repository.ref(records.PREFIX + shipment.record.ref)
    assert tag is not None
    held = records.read(repository, shipment.record.ref, tag)
    known = document(shipment.record)
    reply = {key: known[key] for key in ("format", "release_id", "recorded_at")} | {
        "type": "of-a-later-version",
        "id": "5eed" * 8,
        "of": held.digest,
        "after": [held.digest],
        "verdict": {"rejected": "clean", "time_s": 61.25},
    }
    write_record(repository, reply, held.target, tiny.home.signing_key())
    repository.close()


def make(root: Path) -> bytes:
    """Make the release, and return the archive."""
    tiny, expected = start(root), Expected()
    handed = root / "handed over"
    handed.mkdir()
    for name, data in bounces(1).items():
        (handed / name).write_bytes(data)
    alone = {"main.mp3": "main", "short.wav": "short"}
    for name, version in alone.items():
        commit(tiny, expected, f"the {version} version", handed / name, version=version)
    others = [path for path in sorted(handed.iterdir()) if path.name not in alone]
    commit(tiny, expected, "all the others", *others)
    ship(
        tiny,
        expected,
        "DJ Kettle Drum",
        kind="club-dj",
        shipped_on="2025-05-04",
        channel="stick",
        note="by hand",
    )
    (tiny.folder / "artwork" / "cover.png").write_bytes(tiny_cover(2))
    for name in ("explicit.wav", "dj.aif"):
        (tiny.folder / "bounces" / name).write_bytes(bounces(2)[name])
    commit(tiny, expected, "another take")
    wishes: dict[str, Any] = {"only": ["explicit", "dj"], "formats": ["mp3"]}
    ship(tiny, expected, "DJ Kettle Drum", form="zip", shipped_on="2025-06-01", **wishes)
    wishes = {"kind": "radio-programme", "only": ["explicit"], "despite": "asked for it"}
    ship(tiny, expected, "Radio Nowhere", shipped_on="2025-06-02", **wishes)
    ship(tiny, expected, "Radio Nowhere", shipped_on="2025-06-03", form="zip")
    join(tiny, expected)
    with tiny.open() as release:
        first = release.withdraw(tiny.shipments[3].record.id, reason="sent twice", never_sent=True)
        release.withdraw(first.record.id, reason="it was sent after all")
        release.withdraw(tiny.shipments[0].record.id, reason="a word was still heard")
    unknown_record(tiny, tiny.shipments[1])
    tiny.audit()
    return archive(tiny, expected)


def archive(tiny: Tiny, expected: Expected) -> bytes:
    """Pack the store, the trusted signers and what is expected; no key, no machine's names or times."""
    files = {
        f"store.git/{path.relative_to(tiny.store).as_posix()}": path.read_bytes()
        for path in sorted(tiny.store.rglob("*"))
        if path.is_file()
    }
    files["trusted-signers"] = tiny.home.signers_file.read_bytes()
    files["expected.json"] = json.dumps(vars(expected), indent=0, sort_keys=True).encode() + b"\n"
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w", format=tarfile.USTAR_FORMAT) as made:
        for name, data in files.items():
            member = tarfile.TarInfo(name)
            member.size = len(data)
            made.addfile(member, io.BytesIO(data))
    return gzip.compress(out.getvalue(), mtime=0)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder, TARGET.open("xb") as target:
        target.write(make(Path(folder)))
