"""What belongs to a person and not to a release: key, trusted signers, recipients.

It lies in the user's configuration folder, so that a release can be handed to
somebody else as it is. ``RELKIT_HOME`` names another folder.

Not here: what is in the files (``relkit.trust``, ``relkit.release.recipients``,
``relkit.release.remembering``).
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from relkit.trust.keys import SigningKey
    from relkit.trust.signers import TrustedSigners


@dataclass
class Home:
    """The user's configuration folder.

    Attributes:
        folder: need not exist; it is made when something is first written.
        passphrase: asked when the signing key is protected; None refuses such a key.
    """

    folder: Path
    passphrase: Callable[[], str] | None = None

    @classmethod
    def usual(cls, passphrase: Callable[[], str] | None = None) -> Home:
        """Return the folder that ``RELKIT_HOME`` names, or the system's place for settings."""
        named = os.environ.get("RELKIT_HOME")
        if named:
            return cls(Path(named).expanduser().absolute(), passphrase)
        import platformdirs

        return cls(Path(platformdirs.user_config_dir("relkit")), passphrase)

    @property
    def key_file(self) -> Path:
        """The private signing key: a file of ours, or a link to one that was there already."""
        return self.folder / "signing-key"

    @property
    def signers_file(self) -> Path:
        """Trusted signers, in OpenSSH's allowed_signers form."""
        return self.folder / "trusted-signers"

    @cached_property
    def trusted(self) -> TrustedSigners:
        """Whose signatures count."""
        from relkit.trust.signers import TrustedSigners

        return TrustedSigners.read(self.signers_file)

    def signing_key(self) -> SigningKey:
        """Return the signing key, made on first use and trusted from then on.

        Raises:
            RelkitError: the key file cannot be used; see ``relkit.trust.keys``.
        """
        from relkit.trust.keys import create_key, load_key

        if not os.path.lexists(self.key_file):
            create_key(self.key_file)
        key = load_key(self.key_file, self.passphrase)
        if not any(entry.key == key.public for entry in self.trusted.entries):
            self.trusted.add("me", key.public, "made by relkit on first use")
        return key
