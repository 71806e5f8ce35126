"""Whose signature counts? The list of trusted signers, in OpenSSH's allowed_signers form.

The same file serves ``ssh-keygen -Y verify`` and Git (gpg.ssh.allowedSignersFile),
and people may edit it by hand: their comments and lines stay as they are.

Conventions
    name       a principal: what a person is called in the file
    namespace  what a signature is for; see ``relkit.trust.sshsig``

Sources
    [KEYGEN]   ssh-keygen(1) of OpenSSH 9.2, ALLOWED SIGNERS

Not here: the form of a line (``relkit.trust.allowed_signers``), where the file
lies (``relkit.release``), checking a signature (``relkit.trust.sshsig``).
"""

from __future__ import annotations

import dataclasses
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Self, TypeVar

from relkit.errors import BadInputError, BusyError, UntrustedSignerError, UsageError
from relkit.trust.allowed_signers import Entry, Ignored, parse_line, with_principals
from relkit.trust.files import replace
from relkit.trust.public_key import PublicKey

_LOCK_WAIT_S = 10.0  # another writer needs milliseconds
_Result = TypeVar("_Result")


class BadSignersFileError(BadInputError):
    """Lines of the list cannot be read; nobody is trusted until they are mended.

    Attributes:
        path: the list.
        bad_lines: (line number, what is wrong), every one.
    """

    def __init__(self, path: Path, bad_lines: Sequence[tuple[int, str]]) -> None:
        listed = "; ".join(f"line {number}: {reason}" for number, reason in bad_lines)
        super().__init__(
            f"The list of trusted signers {path} cannot be read: {listed}",
            hint="Mend or delete that line in a text editor, or put # in front of it.",
        )
        self.path, self.bad_lines = path, tuple(bad_lines)


class UnknownSignerError(UntrustedSignerError):
    """A good signature by a key that the list does not trust for it.

    Attributes:
        key: who signed.
    """

    def __init__(self, key: PublicKey, fault: str, *, hint: str) -> None:
        super().__init__(f"Signed by {key.fingerprint}, {fault}", hint=hint)
        self.key = key


class AlreadyTrustedError(UsageError):
    """The key is in the list under another name or with limits."""

    def __init__(self, path: Path, entry: Entry) -> None:
        super().__init__(
            f"{entry.key.fingerprint} is in the list already, as {entry.name} in line {entry.line_number}",
            hint=f"Remove that entry first, or edit the line in {path}.",
        )


class NoSuchSignerError(UsageError):
    """Nobody in the list has this name or fingerprint."""

    def __init__(self, who: str, known: Sequence[str]) -> None:
        listed = f"These are trusted: {', '.join(known)}." if known else "The list is empty."
        super().__init__(f"No trusted signer is called {who!r}", hint=listed)


class SignerNameError(UsageError):
    """A name has nothing in it that the list can hold."""

    def __init__(self, name: str) -> None:
        super().__init__(
            f"{name!r} cannot be a signer's name",
            hint="Give a name with letters or digits in it, for example anna or anna@studio.example.",
        )


class SignersBusyError(BusyError):
    """Another process is changing the list."""

    def __init__(self, path: Path) -> None:
        super().__init__(
            f"Another process is changing the list of trusted signers {path}",
            hint="Wait until it is done, then try again.",
        )


def principal_name(name: str) -> str:
    """Return the name as the list can hold it: in NFC, each run of other signs one hyphen.

    Spaces, commas, quotes, backslashes, ``* ? ! #``, control and invisible characters
    mean something in the file or hide something from the reader.

    Raises:
        SignerNameError: nothing is left.
    """
    signs = unicodedata.normalize("NFC", name)
    kept = "".join(" " if _has_meaning(sign) else sign for sign in signs)
    slug = "-".join(kept.split())
    if not any(sign.isalnum() for sign in slug):
        raise SignerNameError(name)
    return slug


class TrustedSigners:
    """The list as it was read last; ``add`` and ``remove`` read it again under a lock.

    Attributes:
        path: the file, there or not.
        entries: trusted keys in the order of the file.
        ignored: lines that trust nobody here, with the reason.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.entries: tuple[Entry, ...] = ()
        self.ignored: tuple[Ignored, ...] = ()
        self._lines: list[str] = []

    @classmethod
    def read(cls, path: Path) -> Self:
        """Read the list; a missing file trusts nobody.

        Raises:
            BadSignersFileError: a line is malformed; all such lines are named.
        """
        signers = cls(path)
        signers._reload()
        return signers

    def principal_of(self, key: PublicKey, namespace: str, at: datetime | None = None) -> str:
        """Return the name that a key is trusted under; the first line that allows it counts.

        Args:
            key: who signed, from ``relkit.trust.sshsig.verify``.
            namespace: what the signature is for.
            at: time of the signature, with a zone, for lines with time limits; None
                takes the present, as ssh-keygen does.

        Raises:
            UnknownSignerError: no line has the key, or each that has it sets a limit
                against this namespace or time.
            ValueError: a time without a zone.
        """
        moment = datetime.now(UTC) if at is None else at
        if moment.tzinfo is None:
            raise ValueError("the time of a signature needs a zone")
        limits = []
        for entry in self.entries:
            if entry.key == key:
                limit = entry.limit_against(namespace, moment)
                if limit is None:
                    return entry.name
                limits.append((entry.line_number, limit))
        if limits:
            number, limit = limits[0]
            raise UnknownSignerError(
                key,
                f"whom line {number} of the list trusts {limit}",
                hint=f"If this signature should count, change line {number} of {self.path}.",
            )
        raise UnknownSignerError(
            key,
            "a key that is not trusted here",
            hint="Ask the signer, by another channel, whether it is theirs; if so: "
            f'relkit signer trust "{key.line}" --name NAME',
        )

    def add(self, name: str, key: PublicKey, comment: str = "", *, namespaces: Sequence[str] = ()) -> Entry:
        """Trust a key from now on; the very same trust twice changes nothing.

        Args:
            name: of the person, made fit by ``principal_name``. Two keys may share a name.
            key: whom to trust.
            comment: anything; kept to one line.
            namespaces: what for; empty means everything.

        Returns:
            The entry as it stands in the file.

        Raises:
            SignerNameError: nothing in the name can stand in the file.
            AlreadyTrustedError: the key is there, under another name or with limits.
            BadSignersFileError: the file is malformed, and stays as it is.
            SignersBusyError: another process keeps the lock.
            ValueError: a namespace with signs that have a meaning in the file.
        """
        if any(map(_has_meaning, "".join(namespaces))):
            raise ValueError("a namespace holds a sign that has a meaning in the list")
        principal = principal_name(name)
        wanted = Entry(0, (principal,), key, ",".join(namespaces) or None)
        limit = f' namespaces="{",".join(namespaces)}"' if namespaces else ""
        line = f"{principal}{limit} {key.line} {_one_line(comment)}".rstrip()

        def change() -> Entry:
            for entry in self.entries:
                if entry.key == key:
                    if dataclasses.replace(entry, line_number=0, comment="") == wanted:
                        return entry
                    raise AlreadyTrustedError(self.path, entry)
            self._write([*self._lines, line])
            return self.entries[-1]

        return self._changed(change)

    def remove(self, who: str) -> tuple[Entry, ...]:
        """Trust somebody no longer.

        A line that names others too keeps them, with the same key.

        Args:
            who: a name in the list, or a fingerprint (``SHA256:...``) for one key.

        Returns:
            The entries that were taken out or lost the name, one or more.

        Raises:
            NoSuchSignerError: nobody in the list is called that.
            BadSignersFileError, SignersBusyError: as ``add``.
        """

        def change() -> tuple[Entry, ...]:
            gone = tuple(
                each for each in self.entries if who == each.key.fingerprint or who in each.principals
            )
            if not gone:
                raise NoSuchSignerError(who, sorted({each.name for each in self.entries}))
            lines: list[str | None] = [*self._lines]
            for entry in gone:
                others = [each for each in entry.principals if each != who and who != entry.key.fingerprint]
                at = entry.line_number - 1
                lines[at] = with_principals(self._lines[at], others)
            self._write([each for each in lines if each is not None])
            return gone

        return self._changed(change)

    # -- reading and writing -------------------------------------------------

    def _reload(self) -> None:
        """Read the file; the lines are kept to write them back as they are."""
        try:
            data = self.path.read_bytes()
        except FileNotFoundError:
            data = b""
        raw_lines = data.split(b"\n")
        if not raw_lines[-1]:
            raw_lines.pop()  # the end of the last line, not a line
        lines, found, bad = [], [], []
        for number, raw in enumerate(raw_lines, start=1):
            try:
                lines.append(raw.decode("utf-8"))
                found.append(parse_line(lines[-1], number))
            except UnicodeDecodeError:
                bad.append((number, "it is not UTF-8"))
            except ValueError as error:
                bad.append((number, str(error)))
        if bad:
            raise BadSignersFileError(self.path, bad)
        self._lines = lines
        self.entries = tuple(each for each in found if isinstance(each, Entry))
        self.ignored = tuple(each for each in found if isinstance(each, Ignored))

    def _changed(self, change: Callable[[], _Result]) -> _Result:
        """Run a change on the list as it is now, while nobody else can change it."""
        self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with _locked(self.path):
            self._reload()
            return change()

    def _write(self, lines: Sequence[str]) -> None:
        """Give the file these lines, and read it again."""
        data = "".join(f"{line}\n" for line in lines).encode("utf-8")
        replace(self.path, data)
        self._reload()


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    """Hold the lock of the list."""
    from filelock import FileLock, Timeout

    lock = FileLock(path.with_name(path.name + ".lock"), timeout=_LOCK_WAIT_S)
    try:
        lock.acquire()
    except Timeout:
        raise SignersBusyError(path) from None
    try:
        yield
    finally:
        lock.release()


def _has_meaning(sign: str) -> bool:
    """Whether a sign means something in the file, or cannot be seen."""
    return sign in ",*?!#\"'\\" or unicodedata.category(sign)[0] in "CZ"


def _one_line(comment: str) -> str:
    """A comment without line ends, control and invisible characters."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in comment).split())
