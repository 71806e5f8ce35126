"""``signer``: whose key signs here, and whose signatures count.

Not here: the files themselves (``relkit.trust``), and records about signers.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from relkit.errors import UsageError
from relkit.filenames import shown
from relkit.release.home import Home


@dataclass(frozen=True)
class Signer:
    """A key that is trusted, or the one that signs here.

    Attributes:
        name: that it is trusted under.
        line: OpenSSH public key line.
        own: whether it is the key that signs here.
    """

    name: str
    fingerprint: str
    line: str
    own: bool


def own(home: Home) -> Signer:
    """Return the key that signs here; made on first use."""
    key = home.signing_key()
    name = next((entry.name for entry in home.trusted.entries if entry.key == key.public), "me")
    return Signer(name, key.public.fingerprint, key.public.line, own=True)


def trusted(home: Home) -> Sequence[Signer]:
    """Return everybody whose signatures count."""
    mine = home.signing_key().public if os.path.lexists(home.key_file) else None
    return [
        Signer(entry.name, entry.key.fingerprint, entry.key.line, own=entry.key == mine)
        for entry in home.trusted.entries
    ]


def trust(home: Home, key_or_file: str, name: str) -> Signer:
    """Trust a key from now on.

    Args:
        key_or_file: an OpenSSH public key line, or a file that holds one (``signer.pub``).
        name: whom it belongs to.

    Raises:
        UsageError: no such key or file, or it is trusted under another name.
    """
    from relkit.trust.public_key import PublicKey

    text = key_or_file.strip()
    if not text.startswith("ssh-"):
        try:
            text = Path(text).read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise UsageError(
                f"{shown(key_or_file)} is neither a public key nor a file that holds one",
                hint="Give the signer.pub of a package, or the line in it, in quotes.",
            ) from error
    entry = home.trusted.add(name, PublicKey.from_line(text))
    return Signer(entry.name, entry.key.fingerprint, entry.key.line, own=False)


def distrust(home: Home, who: str) -> Sequence[str]:
    """Take a name or fingerprint off the list, and return the names that went.

    Raises:
        UsageError: nobody is called that, or it is the key that signs here: it would be trusted again
            with the next thing it signs.
    """
    for signer in trusted(home):
        if signer.own and who in {signer.name, signer.fingerprint}:
            raise UsageError(
                f"{shown(who)} is the key that signs here",
                hint=f"Move {shown(home.key_file)} away first, and keep it; then take it off the list.",
            )
    return [entry.name for entry in home.trusted.remove(who)]


def use(home: Home, key_file: Path) -> Signer:
    """Sign with an existing OpenSSH Ed25519 key from now on. The file stays where it is.

    Raises:
        UsageError: there is a key already.
        RelkitError: the key file cannot be used.
    """
    from relkit.trust.keys import load_key

    target = key_file.expanduser().resolve()
    load_key(target, home.passphrase)
    if os.path.lexists(home.key_file):
        raise UsageError(
            f"there is a signing key already: {shown(home.key_file)}",
            hint="Move it away first, and keep it: packages that it signed are checked against it.",
        )
    home.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    home.key_file.symlink_to(target)
    return own(home)
