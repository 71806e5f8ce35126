"""Who signed these bytes? OpenSSH signatures with Ed25519 keys, made and checked.

``ssh-keygen -Y verify`` accepts what ``sign`` makes, and ``verify`` accepts what
``ssh-keygen -Y sign`` makes with an Ed25519 key. A good signature says which key
signed; whether that key is trusted is for ``relkit.trust.signers``.

Conventions
    blob       the fields of a signature in SSH wire form; see ``relkit.trust.public_key``
    armor      the blob in base64 between two lines, as a signature file has it
    namespace  what a signature is for, so that none can stand in for another

Sources
    [SSHSIG]   OpenSSH PROTOCOL.sshsig, version 1
    [8032]     RFC 8032 (January 2017), section 5.1

Not here: private keys (``relkit.trust.keys``); RSA, ECDSA and hardware keys,
certificates, revocation lists.
"""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass
from typing import Protocol

from relkit.errors import DamagedError
from relkit.trust.public_key import KEY_TYPE, Fields, PublicKey, shown, strict_base64, wire_string

__all__ = ["BadSignatureError", "PublicKey", "Signer", "sign", "verify"]

_MAGIC = b"SSHSIG"
_VERSION = 1
_HASHES = ("sha512", "sha256")  # the two that [SSHSIG] knows; we sign with the first
_BEGIN, _END = "-----BEGIN SSH SIGNATURE-----", "-----END SSH SIGNATURE-----"
_COLUMNS = 70  # what ssh-keygen writes; the text of [SSHSIG] speaks of 76
_LIMIT_BYTES = 4096  # of an armored signature; ours have about 300
_SIGNATURE_BYTES = 64


class BadSignatureError(DamagedError):
    """A signature is malformed, or does not belong to these bytes.

    Attributes:
        what: the signature, as the caller names it.
        reason: what is wrong with it.
    """

    def __init__(self, what: str, reason: str) -> None:
        super().__init__(
            f"{what} is not good: {reason}",
            hint="It or what was signed was changed afterwards. Get both again from where they came.",
        )
        self.what, self.reason = what, reason


class Signer(Protocol):
    """What can sign: ``relkit.trust.keys.SigningKey``, or something that asks an agent."""

    @property
    def public(self) -> PublicKey:
        """The public half."""

    def sign_raw(self, data: bytes) -> bytes:
        """Return the 64 bytes of an Ed25519 signature over ``data``."""


def sign(message: bytes, key: Signer, namespace: str) -> str:
    """Sign bytes; return the armor that ``ssh-keygen -Y sign`` would write, with its line end.

    Ed25519 has no randomness: same message, key and namespace, same armor.

    Args:
        message: what is signed, any length.
        key: whose signature.
        namespace: not empty, for example ``manifest@relkit.example``, or ``git``.

    Raises:
        ValueError: an empty namespace.

    Source:
        [SSHSIG] sections 2 and 3.
    """
    if not namespace:
        raise ValueError("a signature needs a namespace")
    raw = key.sign_raw(_signed_data(message, namespace.encode(), _HASHES[0]))
    blob = b"".join(
        (
            _MAGIC,
            _VERSION.to_bytes(4, "big"),
            wire_string(key.public.wire),
            wire_string(namespace.encode()),
            wire_string(b""),
            wire_string(_HASHES[0].encode()),
            wire_string(wire_string(KEY_TYPE.encode()) + wire_string(raw)),
        )
    )
    return _armor(blob)


def verify(
    armored: bytes | str,
    message: bytes,
    namespace: str,
    *,
    exact: bool = True,
    what: str = "The signature",
) -> PublicKey:
    """Return the key that signed the message for this namespace, or raise.

    One signature has one form: non-canonical base64, trailing bytes and a filled
    reserved field (which ssh-keygen would overlook) are refused.

    Args:
        armored: the content of a signature file.
        message: what was signed.
        namespace: what the signature must be for.
        exact: the armor must be, byte for byte, what ``sign`` would write, so that
            any changed byte is noticed. False leaves the width of lines, CR LF
            and the last line end free, for armor of other programs.
        what: the signature's name, for the error.

    Raises:
        BadSignatureError: malformed, other kind of key or hash, for another
            namespace, or not made over this message by the key it names.

    Source:
        [SSHSIG] section 3; [8032] 5.1.7 by the cryptography library, which
        refuses a scalar out of range and any second encoding of a point R.
    """
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        parsed = _parsed(_dearmored(armored, exact=exact))
    except ValueError as error:
        raise BadSignatureError(what, str(error)) from None
    if not namespace or parsed.namespace != namespace.encode():
        raise BadSignatureError(what, f"it is for {shown(parsed.namespace)}, not for {namespace!r}")
    try:
        Ed25519PublicKey.from_public_bytes(parsed.key.raw).verify(
            parsed.raw, _signed_data(message, parsed.namespace, parsed.hash_name)
        )
    except (InvalidSignature, ValueError):  # ValueError: the bytes are no point of the curve
        reason = f"the key {parsed.key.fingerprint} did not sign these bytes"
        raise BadSignatureError(what, reason) from None
    return parsed.key


# -- the blob and its armor --------------------------------------------------


@dataclass(frozen=True)
class _Parsed:
    """The fields of a signature blob that carry something."""

    key: PublicKey
    namespace: bytes
    hash_name: str
    raw: bytes


def _parsed(blob: bytes) -> _Parsed:
    """Take a signature blob apart; ValueError when anything in it is not as it must be."""
    fields = Fields(blob)
    if fields.take(len(_MAGIC)) != _MAGIC:
        raise ValueError("it is no SSH signature")
    version = int.from_bytes(fields.take(4), "big")
    if version != _VERSION:
        raise ValueError(f"it has version {version}, only {_VERSION} is known")
    key = PublicKey.from_wire(fields.string())
    namespace = fields.string()
    if fields.string():
        raise ValueError("its reserved field is not empty")
    hash_name = shown(fields.string())
    if hash_name not in _HASHES:
        raise ValueError(f"it hashes with {hash_name}, only {' and '.join(_HASHES)} are taken")
    signature = Fields(fields.string())
    fields.end()
    kind = signature.string()
    if kind != KEY_TYPE.encode():
        raise ValueError(f"it was made with {shown(kind)}, only {KEY_TYPE} is taken")
    raw = signature.string()
    signature.end()
    if len(raw) != _SIGNATURE_BYTES:
        raise ValueError(f"it has {len(raw)} bytes instead of {_SIGNATURE_BYTES}")
    return _Parsed(key, namespace, hash_name, raw)


def _signed_data(message: bytes, namespace: bytes, hash_name: str) -> bytes:
    """Return what the key really signs ([SSHSIG] section 2): never the bare message."""
    digest = hashlib.new(hash_name, message).digest()
    return b"".join((_MAGIC, *map(wire_string, (namespace, b"", hash_name.encode(), digest))))


def _armor(blob: bytes) -> str:
    """Dress a blob as ssh-keygen does."""
    text = base64.b64encode(blob).decode("ascii")
    lines = (text[at : at + _COLUMNS] for at in range(0, len(text), _COLUMNS))
    return "\n".join((_BEGIN, *lines, _END, ""))


def _dearmored(armored: bytes | str, *, exact: bool) -> bytes:
    """Return the blob inside an armor; ValueError when there is none or it has another form."""
    if len(armored) > _LIMIT_BYTES:
        raise ValueError(f"it is longer than {_LIMIT_BYTES} bytes")
    try:
        text = armored.decode("ascii") if isinstance(armored, bytes) else armored
    except UnicodeDecodeError:
        raise ValueError("it holds bytes that are no ASCII text") from None
    lines = text.replace("\r\n", "\n").removesuffix("\n").split("\n")
    if len(lines) < 2 or lines[0] != _BEGIN or lines[-1] != _END:
        raise ValueError("its first or last line is not that of an SSH signature")
    blob = strict_base64("".join(lines[1:-1]))
    if exact and _armor(blob) != text:
        raise ValueError("its text is laid out in another way than it was written")
    return blob
