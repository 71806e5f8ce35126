"""A whole release of a few kilobytes, made through the public API, to be attacked.

    revision 1   explicit, clean, instrumental, cover
    revision 2   another clean edit
    revision 3   another instrumental
    shipments    1 to the DJ (folder), 2 to the station (ZIP), 3 to the DJ (ZIP), 4 to the station
                 (folder), one or two of each revision
    withdrawal   of shipment 2

Conventions
    audio        noise from seeds, 16 bit, mono, a few hundred frames: too short for a loudness

Not here: attacks. Every name is invented.
"""

from __future__ import annotations

import io
import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from relkit.manifest import MANIFEST_NAMESPACE, RECORD_NAMESPACE
from relkit.release.api import Release
from relkit.release.audit import AuditReport
from relkit.release.checkout import PackageCheckout, RevisionCheckout
from relkit.release.home import Home
from relkit.release.package_files import Form
from relkit.release.ship import ShipReport
from relkit.store import records, revisions
from relkit.store.repository import REVISIONS, Repository
from relkit.trust.canonical import canonical_bytes
from relkit.trust.sshsig import Signer, sign
from tests.support.stores import wav

ARTIST, TITLE = "Paper Lanterns", "Small Hours"
DJ, STATION = "DJ Kettle Drum", "Radio Nowhere"


def tiny_wav(seed: int, frames: int = 300) -> bytes:
    """Return a WAV file of mono 16-bit noise."""
    rng = np.random.default_rng(seed)
    return wav(rng.integers(-20_000, 20_000, frames, dtype="<i2").tobytes(), "int16", 1)


def tiny_cover(seed: int = 1) -> bytes:
    """Return a small PNG."""
    rng = np.random.default_rng(seed)
    out = io.BytesIO()
    Image.fromarray(rng.integers(0, 255, (8, 8, 3), dtype=np.uint8)).save(out, "PNG")
    return out.getvalue()


@dataclass
class Tiny:
    """One release with the user's folder beside it; copies of it can be damaged freely."""

    root: Path
    shipments: list[ShipReport] = field(default_factory=list)
    sources: dict[int, dict[str, bytes]] = field(default_factory=dict)  # revision to name to bytes

    @property
    def folder(self) -> Path:
        """The release folder."""
        return self.root / "release"

    @property
    def home(self) -> Home:
        """The user's folder, read anew."""
        return Home(self.root / "home")

    @property
    def store(self) -> Path:
        """The bare Git repository."""
        return self.folder / ".relkit" / "store.git"

    def open(self, home: Home | None = None) -> Release:
        """Open the release."""
        return Release.open(self.folder, home=home or self.home)

    def copy(self, root: Path) -> Tiny:
        """Copy everything, without what makes things faster."""
        shutil.copytree(self.root, root, symlinks=True)
        (root / "release" / ".relkit" / "cache.sqlite").unlink(missing_ok=True)
        return Tiny(root, list(self.shipments), dict(self.sources))

    def package(self, number: int) -> Path:
        """Return where the package of a shipment lies, also in a copy. Shipments count from 1."""
        original = self.shipments[number - 1].path
        inside = original.parts[original.parts.index("release") :]
        return self.root.joinpath(*inside)

    def audit(self) -> AuditReport:
        """Audit with this user's folder."""
        with self.open() as release:
            return release.audit()

    def checkout(self, which: str, target: Path) -> RevisionCheckout:
        """Write a revision out."""
        with self.open() as release:
            return release.checkout(which, target)

    def checkout_shipment(self, which: str, target: Path, form: Form | None = None) -> PackageCheckout:
        """Write a shipment's package out."""
        with self.open() as release:
            return release.checkout_shipment(which, target, form=form)

    def commit(self, note: str, **bounces: bytes) -> None:
        """Put bounces in their places and commit."""
        for name, data in bounces.items():
            (self.folder / "bounces" / f"{name}.wav").write_bytes(data)
        with self.open() as release:
            report = release.commit(note=note)
        self.sources[report.manifest.revision] = {
            entry.name: (self.folder / entry.name).read_bytes() for entry in report.manifest.files
        }

    def ship(self, recipient: str, **wishes: Any) -> None:
        """Ship, as plain WAV where nothing else is wished, and keep the report."""
        with self.open() as release:
            self.shipments.append(release.ship(recipient, **{"formats": ["wav-native"], **wishes}))


def start(root: Path, *, title: str = TITLE, home: Home | None = None) -> Tiny:
    """Start a release with one bounce committed."""
    tiny = Tiny(root)
    Release.new(
        tiny.folder, artist=ARTIST, title=title, tempo="122", key="F# minor", home=home or tiny.home
    ).close()
    (tiny.folder / "artwork").mkdir(exist_ok=True)
    (tiny.folder / "artwork" / "cover.png").write_bytes(tiny_cover())
    return tiny


def full_history(root: Path, *, title: str = TITLE) -> Tiny:
    """Make the release that the header describes."""
    tiny = start(root, title=title)
    tiny.commit("first", explicit=tiny_wav(1), clean=tiny_wav(2), instrumental=tiny_wav(3))
    tiny.ship(DJ, kind="club-dj", shipped_on="2025-05-04")
    tiny.ship(STATION, kind="radio-programme", form="zip", shipped_on="2025-05-05")
    tiny.commit("one word less", clean=tiny_wav(4))
    tiny.ship(DJ, form="zip", shipped_on="2025-06-01")
    tiny.commit("quieter", instrumental=tiny_wav(5))
    tiny.ship(STATION, shipped_on="2025-06-02")
    with tiny.open() as release:
        release.withdraw(tiny.shipments[1].record.id, reason="a word was still heard")
    return tiny


# --- things that only somebody with a key can make


def forged_package(
    manifest: dict[str, Any] | bytes,
    files: dict[str, bytes],
    key: Signer,
    folder: Path,
    *,
    namespace: str = MANIFEST_NAMESPACE,
) -> Path:
    """Write a package folder around any manifest, properly signed."""
    from relkit.pack.layout import MANIFEST, PUBLIC_KEY, SIGNATURE, SUMS

    body = _body(manifest)
    proof = {
        MANIFEST: body,
        SIGNATURE: sign(body, key, namespace).encode(),
        PUBLIC_KEY: f"{key.public.line}\n".encode(),
        SUMS: b"",
    }
    for name, data in {**proof, **files}.items():
        place = folder / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(data)
    return folder


@contextmanager
def forged_revision(tiny: Tiny, manifest: dict[str, Any] | bytes, key: Signer) -> Iterator[bytes]:
    """Put any properly signed manifest on top of the revisions for a while, with the newest one's content."""
    with _for_a_while(tiny) as (repository, newest):
        made = _commit(repository, _body(manifest), key, newest)
        repository.set_ref(REVISIONS, made, newest)
        repository.close()
        yield made
        (tiny.store / REVISIONS).write_text(newest.hex() + "\n")


@contextmanager
def forged_shipment(tiny: Tiny, package: dict[str, Any] | bytes, key: Signer) -> Iterator[str]:
    """Put any properly signed package manifest into the store for a while, shipped to the DJ."""
    with _for_a_while(tiny) as (repository, newest):
        commit = _commit(repository, _body(package), key, newest)
        record = document(tiny.shipments[0].record) | {"id": "f0" * 16, "shipped_on": "2026-01-01"}
        record["of"] = revisions.read(repository, commit).digest
        write_record(repository, record, commit, key)
        repository.close()
        yield record["id"]
        (tiny.store / "refs" / "tags" / "shipped" / f"2026-01-01-{record['id']}").unlink()


@contextmanager
def _for_a_while(tiny: Tiny) -> Iterator[tuple[Repository, bytes]]:
    """Open the store, hand out the newest revision, and take away new packs in the end."""
    packs = set(tiny.store.glob("objects/pack/*"))
    repository = Repository(tiny.store)
    newest = repository.ref(REVISIONS)
    assert newest is not None
    yield repository, newest
    for path in set(tiny.store.glob("objects/pack/*")) - packs:
        path.unlink()


def _body(manifest: dict[str, Any] | bytes) -> bytes:
    return manifest if isinstance(manifest, bytes) else canonical_bytes(manifest)


def _commit(repository: Repository, body: bytes, key: Signer, parent: bytes) -> bytes:
    """Write a commit around a manifest, with its parent's content."""
    with repository.writer() as pack:
        return revisions.write(
            pack,
            manifest=body,
            signature=sign(body, key, MANIFEST_NAMESPACE).encode(),
            content=revisions.read(repository, parent).content,
            features=revisions.read(repository, parent).features,
            parents=[parent],
            moment=datetime.fromisoformat("2025-05-04T12:00:00+00:00"),
            message="forged",
        )


def write_record(
    repository: Repository,
    record: dict[str, Any],
    target: bytes,
    key: Signer,
    *,
    ref: str | None = None,
    namespace: str = RECORD_NAMESPACE,
) -> bytes:
    """Write any record, properly signed, under its own or another reference; returns its tag."""
    name = f"shipped/{record['shipped_on']}-{record['id']}" if "shipped_on" in record else None
    return records.write(
        repository,
        ref=ref or name or f"records/{record['id']}",
        target=target,
        body=canonical_bytes(record),
        moment=datetime.fromisoformat(record["recorded_at"]),
        sign=lambda payload: sign(payload, key, namespace),
    )


def document(model: Any) -> dict[str, Any]:
    """Return a manifest or record as JSON values that may be changed."""
    loaded = json.loads(canonical_bytes(model.model_dump(mode="json")))
    assert isinstance(loaded, dict)
    return loaded
