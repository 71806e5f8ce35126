"""Whose signature is it, over what, for what? Keys and manifests that were exchanged."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from relkit.errors import UntrustedSignerError, UsageError
from relkit.manifest import MANIFEST_NAMESPACE
from relkit.pack.layout import MANIFEST, PUBLIC_KEY, SIGNATURE
from relkit.release.home import Home
from relkit.release.signer import distrust
from relkit.release.verify import PackageFaultsError, verify
from relkit.trust.keys import SigningKey
from relkit.trust.sshsig import sign
from tests.support.ssh_tools import ssh_keygen
from tests.support.stores import clean_environment
from tests.support.tiny_release import DJ, Tiny, full_history


def relkit(home: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the command line with another user's folder."""
    return subprocess.run(
        [sys.executable, "-m", "relkit", *arguments],
        env=clean_environment(RELKIT_HOME=str(home)),
        capture_output=True,
        text=True,
        check=False,
    )


def test_an_unknown_signer_is_named_with_the_very_command_that_trusts_them(
    tiny: Tiny, tmp_path: Path
) -> None:
    """Another person's machine: exit 5, the fingerprint that ssh-keygen gives, a command that works."""
    package, home = tiny.package(1), tmp_path / "other home"
    first = relkit(home, "verify", str(package))
    assert first.returncode == 5, first.stderr
    listed = ssh_keygen("-l", "-f", package / PUBLIC_KEY, folder=tmp_path).stdout.decode()
    assert listed.split()[1] in first.stderr
    command = shlex.split(first.stderr[first.stderr.index("relkit signer trust") :])
    assert command[:3] == ["relkit", "signer", "trust"]
    trusted = relkit(home, *command[1:])
    assert trusted.returncode == 0, trusted.stderr
    second = relkit(home, "verify", str(package))
    assert second.returncode == 0, second.stderr
    assert relkit(home, "verify", "--json", str(package)).returncode == 0


def test_damage_weighs_more_than_an_unknown_signer(tiny: Tiny, tmp_path: Path) -> None:
    """Exit 4: there is nothing to trust in a changed package."""
    package = tiny.package(1)
    (package / "more.txt").write_text("x")
    with pytest.raises(PackageFaultsError):
        verify(package, Home(tmp_path / "other home"))


def test_json_of_a_damaged_package_is_one_document(tiny: Tiny) -> None:
    """A program gets the lists, and the exit code."""
    package = tiny.package(1)
    (package / "more.txt").write_text("x")
    (package / SIGNATURE).unlink()
    done = relkit(tiny.root / "home", "verify", "--json", str(package))
    assert done.returncode == 4
    assert json.loads(done.stdout) == {
        "bad": {},
        "missing": [SIGNATURE],
        "extra": ["more.txt"],
        "trace": None,
    }


def bad_names(tiny: Tiny, package: Path) -> set[str]:
    """Return what verify finds bad."""
    with pytest.raises(PackageFaultsError) as caught:
        verify(package, tiny.home)
    return set(caught.value.bad)


def test_a_public_key_of_somebody_else(tiny: Tiny, stranger: SigningKey) -> None:
    """The key is in the signature; the file beside it must agree."""
    package = tiny.package(1)
    (package / PUBLIC_KEY).write_text(stranger.public.line + "\n")
    assert bad_names(tiny, package) == {PUBLIC_KEY}


def test_a_manifest_of_another_package_with_its_signature(tiny: Tiny) -> None:
    """Both are properly signed by the same key; the files are not those."""
    package, other = tiny.package(1), tiny.package(4)
    for name in (MANIFEST, SIGNATURE):
        shutil.copy(other / name, package / name)
    with pytest.raises(PackageFaultsError) as caught:
        verify(package, tiny.home)
    assert caught.value.bad
    assert caught.value.extra, "the explicit versions are not in the station's package"


def test_a_signature_over_another_manifest(tiny: Tiny) -> None:
    """Swapping the signature alone."""
    package, other = tiny.package(1), tiny.package(4)
    shutil.copy(other / SIGNATURE, package / SIGNATURE)
    assert len(bad_names(tiny, package)) == 1


@pytest.mark.parametrize("namespace", ["git", "file", "Manifest@relkit.example", MANIFEST_NAMESPACE + "x"])
def test_a_signature_for_another_purpose(tiny: Tiny, namespace: str) -> None:
    """The user's own key, the right bytes, another namespace."""
    package = tiny.package(1)
    key = tiny.home.signing_key()
    (package / SIGNATURE).write_text(sign((package / MANIFEST).read_bytes(), key, namespace))
    assert len(bad_names(tiny, package)) == 1


def test_a_strangers_signature_over_the_same_manifest(tiny: Tiny, stranger: SigningKey) -> None:
    """Valid, with the stranger's own public key beside it: not damaged, and not trusted."""
    package = tiny.package(1)
    (package / SIGNATURE).write_text(sign((package / MANIFEST).read_bytes(), stranger, MANIFEST_NAMESPACE))
    (package / PUBLIC_KEY).write_text(stranger.public.line + "\n")
    with pytest.raises(UntrustedSignerError, match=re.escape(stranger.public.fingerprint)):
        verify(package, tiny.home)


def test_two_signatures_in_one_file(tiny: Tiny) -> None:
    """Somebody else's in front, or the same twice: not what was written."""
    path = tiny.package(1) / SIGNATURE
    path.write_bytes(path.read_bytes() * 2)
    assert len(bad_names(tiny, tiny.package(1))) == 1


def test_an_older_package_under_a_newer_name_says_what_it_is(tiny: Tiny) -> None:
    """Nothing in a name tells the revision; the report does, and it is signed."""
    old, new = tiny.package(1), tiny.package(3)
    shutil.copytree(old, new.parent / "newest")
    assert verify(new.parent / "newest", tiny.home).manifest.revision == 1
    assert verify(new, tiny.home).manifest.revision == 2


def test_a_package_of_another_release_says_what_it_is(tiny: Tiny, tmp_path: Path) -> None:
    """Same artist, same key, another song."""
    shutil.rmtree(tmp_path / "other", ignore_errors=True)
    (tmp_path / "other").mkdir()
    shutil.copytree(tiny.root / "home", tmp_path / "other" / "home")
    other = full_history(tmp_path / "other", title="Another Song")
    package = other.package(1)
    renamed = package.rename(package.with_name(tiny.package(1).name))
    copy = verify(renamed, tiny.home)
    assert copy.manifest.release.title == "Another Song"
    assert copy.manifest.release_id != tiny.shipments[0].package.release_id


def test_somebody_who_is_trusted_for_records_only(tiny: Tiny) -> None:
    """Limits in the list of trusted signers count."""
    path = tiny.home.signers_file
    name, rest = path.read_text().split(" ", 1)
    path.write_text(f'{name} namespaces="git" {rest}')
    with pytest.raises(UntrustedSignerError, match="line 1"):
        verify(tiny.package(1), tiny.home)


def test_the_key_that_signs_here_cannot_be_distrusted_for_a_moment_only(tiny: Tiny) -> None:
    """It would be back with the next thing it signs, without a word. Moved away first, it goes for good."""
    with pytest.raises(UsageError, match="signs here"):
        distrust(tiny.home, "me")
    tiny.home.key_file.rename(tiny.root / "kept")
    distrust(tiny.home, "me")
    with pytest.raises(UntrustedSignerError):
        verify(tiny.package(1), tiny.home)


def test_nothing_is_written_by_verify(tiny: Tiny, tmp_path: Path) -> None:
    """Also not a key, for somebody who never used relkit."""
    home = tmp_path / "nobody"
    before = sorted(os.fspath(path) for path in tiny.package(1).rglob("*"))
    with pytest.raises(UntrustedSignerError):
        verify(tiny.package(1), Home(home))
    assert not home.exists()
    assert sorted(os.fspath(path) for path in tiny.package(1).rglob("*")) == before
    assert DJ
