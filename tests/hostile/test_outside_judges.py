"""Stock git, ssh-keygen and sha256sum accept what relkit wrote; clones stand in for the store."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from relkit.manifest import MANIFEST_NAMESPACE
from relkit.pack.layout import MANIFEST, SIGNATURE, SUMS
from tests.support.judging import same_bytes
from tests.support.ssh_tools import ssh_keygen
from tests.support.stores import clean_environment, fsck, git
from tests.support.tiny_release import Tiny


def tags(tiny: Tiny) -> list[str]:
    """Return every record's tag."""
    return git(tiny.store, "tag", "-l").decode().split()


def test_git_verifies_every_record(tiny: Tiny) -> None:
    """With the user's own list of trusted signers, which is in OpenSSH's form."""
    assert len(tags(tiny)) == 5
    for tag in tags(tiny):
        said = git(
            tiny.store, "-c", f"gpg.ssh.allowedSignersFile={tiny.home.signers_file}", "verify-tag", tag
        )
        assert b'Good "git" signature for me with ED25519 key' in said


def test_git_refuses_a_record_by_somebody_else(tiny: Tiny) -> None:
    """The judge is awake."""
    tiny.home.signers_file.write_text("")
    done = subprocess.run(
        ["git", "-c", f"gpg.ssh.allowedSignersFile={tiny.home.signers_file}", "verify-tag", tags(tiny)[0]],
        cwd=tiny.store,
        env=clean_environment(),
        capture_output=True,
        check=False,
    )
    assert done.returncode != 0


def accepted(tiny: Tiny, body: bytes, signature: Path) -> None:
    """Let ssh-keygen check a manifest."""
    done = ssh_keygen(
        *(
            "-Y",
            "verify",
            "-f",
            tiny.home.signers_file,
            "-I",
            "me",
            "-n",
            MANIFEST_NAMESPACE,
            "-s",
            signature,
        ),
        folder=tiny.root,
        message=body,
    )
    assert done.returncode == 0, done.stderr
    assert b"Good" in done.stdout


def test_ssh_keygen_accepts_the_manifests_of_the_store(tiny: Tiny, tmp_path: Path) -> None:
    """Of every revision and every package, as ``git cat-file`` gives them."""
    signature = tmp_path / "sig"
    for commit in ["revisions", "revisions~1", "revisions~2", *(f"{tag}^{{}}" for tag in tags(tiny))]:
        signature.write_bytes(git(tiny.store, "cat-file", "blob", f"{commit}:manifest.json.sig"))
        accepted(tiny, git(tiny.store, "cat-file", "blob", f"{commit}:manifest.json"), signature)


@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_stock_tools_accept_a_package(tiny: Tiny, tmp_path: Path, number: int) -> None:
    """Folders as they are, ZIPs unpacked by unzip's own rules through the standard library."""
    package = tiny.package(number)
    if package.is_file():
        shutil.unpack_archive(package, tmp_path / "unpacked", "zip")
        package = next((tmp_path / "unpacked").iterdir())
    accepted(tiny, (package / MANIFEST).read_bytes(), package / SIGNATURE)
    done = subprocess.run(
        ["sha256sum", "--check", "--strict", SUMS], cwd=package, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    listed = sum(1 for path in package.rglob("*") if path.is_file()) - 4
    assert done.stdout.count(": OK") == listed > 2


def test_git_fsck_has_nothing_to_say(tiny: Tiny) -> None:
    """Strict and full: not even a dangling object."""
    assert fsck(tiny.store) == ""


@pytest.mark.parametrize("kind", ["clone", "mirror", "bare, packed with deltas"])
def test_a_clone_in_place_of_the_store(tiny: Tiny, tmp_path: Path, kind: str) -> None:
    """Audits clean, and gives back what was sent, byte for byte; then work goes on in it."""
    clone = tmp_path / "clone"
    source = f"file://{tiny.store}"  # through Git's own transport, not by copying files
    if kind == "clone":
        git(tmp_path, "clone", "-q", source, str(clone))
        clone = clone / ".git"
    elif kind == "mirror":
        git(tmp_path, "clone", "-q", "--mirror", source, str(clone))
    else:
        git(tmp_path, "clone", "-q", "--bare", source, str(clone))
        git(clone, "pack-refs", "--all")
        git(clone, "repack", "-q", "-a", "-d", "-f", "--depth=50")
    shutil.rmtree(tiny.store)
    os.rename(clone, tiny.store)  # noqa: PTH104 - a folder
    report = tiny.audit()
    assert (report.revisions, report.records) == (3, 5)
    for number, shipment in enumerate(tiny.shipments, 1):
        made = tiny.checkout_shipment(shipment.record.id, tmp_path / str(number))
        same_bytes(made.path, tiny.package(number))
    tiny.ship("DJ Kettle Drum", form="zip")
    tiny.commit("on the clone", clean=tiny.sources[1]["bounces/clean.wav"])
    assert tiny.audit().revisions == 4
    assert "error" not in fsck(tiny.store)
