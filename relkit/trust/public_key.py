"""Whose key is it? Ed25519 public keys in the forms that OpenSSH writes.

Conventions
    raw          32 bytes, as RFC 8032 has them
    wire         the SSH form: each field a 32-bit big-endian length and its bytes
    line         ``ssh-ed25519`` and the wire form in base64, as in a .pub file
    fingerprint  ``SHA256:`` and the digest of the wire form in unpadded base64

Sources
    [8032]     RFC 8032 (January 2017), section 5.1
    [8709]     RFC 8709 (February 2020), Ed25519 in SSH
    [4251]     RFC 4251 (January 2006), section 5, the type ``string``

Not here: private keys (``relkit.trust.keys``), signatures
(``relkit.trust.sshsig``), other kinds of key.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
from dataclasses import dataclass

from relkit.errors import UsageError

KEY_TYPE = "ssh-ed25519"
_PUBLIC_BYTES = 32
_P = 2**255 - 19  # [8032] 5.1, the field
_D = -121665 * pow(121666, -1, _P) % _P  # [8032] 5.1, the curve -x^2 + y^2 = 1 + d x^2 y^2


class BadPublicKeyError(UsageError):
    """A text is no Ed25519 public key line."""

    def __init__(self, reason: str) -> None:
        super().__init__(
            f"This is no public key for signing: {reason}",
            hint="Give the one line of the .pub file, in quotes; it starts with ssh-ed25519 AAAA.",
        )
        self.reason = reason


@dataclass(frozen=True)
class PublicKey:
    """An Ed25519 public key.

    Attributes:
        raw: 32 bytes.

    Raises:
        ValueError: another length, or a key for which a signature proves nothing.
    """

    raw: bytes

    def __post_init__(self) -> None:
        if len(self.raw) != _PUBLIC_BYTES:
            raise ValueError(f"an Ed25519 public key has {_PUBLIC_BYTES} bytes, not {len(self.raw)}")
        if _proves_nothing(self.raw):
            raise ValueError("this Ed25519 key is one of the few for which anybody can sign")

    @classmethod
    def from_wire(cls, wire: bytes) -> PublicKey:
        """Read the SSH wire form; ValueError for anything else, also trailing bytes."""
        fields = Fields(wire)
        kind = fields.string()
        if kind != KEY_TYPE.encode():
            raise ValueError(f"the key is {shown(kind)}, only {KEY_TYPE} is taken")
        key = cls(fields.string())
        fields.end()
        return key

    @classmethod
    def from_line(cls, line: str) -> PublicKey:
        """Read an OpenSSH public key line, with or without a comment.

        Raises:
            BadPublicKeyError: another kind of key, a private key, or no key at all.
        """
        words = line.split(maxsplit=2)
        if "PRIVATE KEY" in line:
            raise BadPublicKeyError("it is a private key, which must never be passed around")
        if len(words) < 2:
            raise BadPublicKeyError("it has no two words, the kind and the key")
        if words[0] != KEY_TYPE:
            raise BadPublicKeyError(f"it is {words[0][:40]!r}, only {KEY_TYPE} is taken")
        try:
            return cls.from_wire(strict_base64(words[1]))
        except ValueError as error:
            raise BadPublicKeyError(str(error)) from None

    @property
    def wire(self) -> bytes:
        """The SSH wire form ([8709] 4)."""
        return wire_string(KEY_TYPE.encode()) + wire_string(self.raw)

    @property
    def line(self) -> str:
        """The OpenSSH public key line, without a comment or line end."""
        return f"{KEY_TYPE} {base64.b64encode(self.wire).decode('ascii')}"

    @property
    def fingerprint(self) -> str:
        """``SHA256:`` and unpadded base64, as ``ssh-keygen -l`` shows it."""
        digest = base64.b64encode(hashlib.sha256(self.wire).digest()).decode("ascii")
        return "SHA256:" + digest.rstrip("=")


# -- the wire form -----------------------------------------------------------


def wire_string(data: bytes) -> bytes:
    """One field of the wire form."""
    return len(data).to_bytes(4, "big") + data


class Fields:
    """Reads wire fields from left to right; ValueError when bytes are missing or left over."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    def take(self, size: int) -> bytes:
        """Return the next ``size`` bytes."""
        end = self._at + size
        if end > len(self._data):
            raise ValueError("it ends too early")
        taken, self._at = self._data[self._at : end], end
        return taken

    def string(self) -> bytes:
        """Return the bytes of the next field ([4251] 5)."""
        return self.take(int.from_bytes(self.take(4), "big"))

    def end(self) -> None:
        """Check that every byte was read."""
        if self._at != len(self._data):
            raise ValueError(f"it has {len(self._data) - self._at} bytes too many")


def shown(data: bytes) -> str:
    """Foreign bytes, safe to print in one line."""
    return data[:60].decode("ascii", "backslashreplace").encode("unicode_escape").decode("ascii")


def strict_base64(text: str) -> bytes:
    """Decode base64 in its one canonical form; ValueError otherwise."""
    try:
        data = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        raise ValueError("its base64 is broken") from None
    if base64.b64encode(data).decode("ascii") != text:
        raise ValueError("its base64 is not in canonical form")  # spare bits in the last sign
    return data


def _proves_nothing(raw: bytes) -> bool:
    """Whether a key has small order (a signature then fits many messages) or a second encoding.

    A point of order 8 doubles to one of order 4, which has y = 0; put into the
    doubling formula with a = -1 that gives d y^4 + 2 y^2 = 1.
    """
    y = int.from_bytes(raw, "little") & (2**255 - 1)
    return y >= _P or y in (0, 1, _P - 1) or (_D * y**4 + 2 * y**2 - 1) % _P == 0
