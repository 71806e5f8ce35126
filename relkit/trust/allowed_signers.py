"""One line of an OpenSSH allowed_signers file: who, with which key, for what, and when.

    principals [options] keytype base64key [comment]

A line that ssh-keygen would refuse is refused here too. What it would take and
relkit does not use (other kinds of key, certificate authorities) is left out
with a reason, so that one file can serve both.

Conventions
    principals     comma-separated patterns; the first that is no negation is the name
    pattern list   ``*`` any run, ``?`` one sign, ``!`` in front excludes
    times          with a zone; without ``Z`` the line means this machine's zone

Sources
    [KEYGEN]   ssh-keygen(1) of OpenSSH 9.2, ALLOWED SIGNERS
    [CONFIG]   ssh_config(5), PATTERNS

Not here: the file as a whole, adding and removing (``relkit.trust.signers``).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from relkit.trust.public_key import BadPublicKeyError, PublicKey

_BLANKS = " \t\r"
_KEY_KIND = re.compile(
    r"(ssh-(rsa|dss|ed25519|xmss@openssh\.com)|(sk-)?ecdsa-sha2-\S+|sk-ssh-\S+|\S+-cert-v0[01]\S*)(?=\s|$)"
)
_PRINCIPALS = re.compile(r'(?P<bare>[^\s"]*)(?:"(?P<quoted>[^"]*)")?(?=[ \t\r])')
_OPTION = re.compile(r'(?P<name>[A-Za-z-]+)(?:="(?P<value>(?:\\"|[^"\\]|\\(?!"))*)")?(?P<more>,|$)')
_TIME = re.compile(r"(?P<digits>[0-9]{8}(?:[0-9]{4}(?:[0-9]{2})?)?)(?P<zone>Z|UTC)?", re.IGNORECASE)
_TIME_LAYOUT = {8: "%Y%m%d", 12: "%Y%m%d%H%M", 14: "%Y%m%d%H%M%S"}


@dataclass(frozen=True)
class Entry:
    """A trusted key.

    Attributes:
        line_number: from 1.
        principals: patterns as written, one or more, at least one no negation.
        key: the trusted key.
        namespaces: pattern list, or None for every namespace.
        valid_after, valid_before: limits of the signature's time, both included.
        comment: the rest of the line.
    """

    line_number: int
    principals: tuple[str, ...]
    key: PublicKey
    namespaces: str | None = None
    valid_after: datetime | None = None
    valid_before: datetime | None = None
    comment: str = ""

    @property
    def name(self) -> str:
        """The principal that the key stands for."""
        return next(each for each in self.principals if not each.startswith("!"))

    def limit_against(self, namespace: str, at: datetime) -> str | None:
        """Say in words which limit of the line excludes a signature; None when none does.

        Args:
            namespace: of the signature.
            at: time of the signature, with a zone.
        """
        if self.namespaces is not None and not matches(self.namespaces, namespace):
            return f"only for namespaces {self.namespaces}"
        if self.valid_after is not None and at < self.valid_after:
            return f"only from {self.valid_after.astimezone(UTC):%Y-%m-%d %H:%M} UTC on"
        if self.valid_before is not None and at > self.valid_before:
            return f"only until {self.valid_before.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
        return None


@dataclass(frozen=True)
class Ignored:
    """A valid line that trusts nobody here, and why."""

    line_number: int
    reason: str


def parse_line(text: str, line_number: int) -> Entry | Ignored | None:
    """Read one line; None for a blank one or a comment.

    Args:
        text: without its line feed.
        line_number: kept in the result, from 1.

    Raises:
        ValueError: a line that ssh-keygen would refuse as well; the text says why.
    """
    text = text.strip(_BLANKS)
    if not text or text.startswith("#"):
        return None
    principals, rest = _split_principals(text)
    options, key_text = _split_options(rest)
    limits = _parsed_options(options)
    after, before = (_time(limits.get(name), name) for name in ("valid-after", "valid-before"))
    if after and before and before <= after:
        raise ValueError("valid-before is not later than valid-after")
    kind = key_text.split(maxsplit=1)[0]
    if "cert-authority" in limits:
        return Ignored(line_number, "certificate authorities are not supported")
    if kind != "ssh-ed25519":
        return Ignored(line_number, f"{kind} keys are not supported, only ssh-ed25519")
    words = key_text.split(maxsplit=2)
    try:
        key = PublicKey.from_line(key_text)
    except BadPublicKeyError as error:
        raise ValueError(error.reason) from None
    comment = words[2] if len(words) > 2 else ""
    return Entry(line_number, principals, key, limits.get("namespaces"), after, before, comment)


def with_principals(text: str, principals: Sequence[str]) -> str | None:
    """Return a line with other principals and all else as it was; None when they name nobody."""
    if all(each.startswith("!") for each in principals):
        return None
    _, rest = _split_principals(text.strip(_BLANKS))
    field = ",".join(principals)
    return f'"{field}" {rest}' if any(map(str.isspace, field)) else f"{field} {rest}"


def matches(patterns: str, text: str) -> bool:
    """Whether a comma-separated pattern list takes a text ([CONFIG]).

    A negation that matches decides; negations alone take nothing.
    """
    taken = False
    for pattern in patterns.split(","):
        if _matches_one(pattern.removeprefix("!"), text):
            if pattern.startswith("!"):
                return False
            taken = True
    return taken


def _matches_one(pattern: str, text: str) -> bool:
    """Whether one pattern without its negation takes the whole text."""
    wild = {"*": ".*", "?": "."}
    return (
        re.fullmatch("".join(wild.get(sign) or re.escape(sign) for sign in pattern), text, re.DOTALL)
        is not None
    )


def _split_principals(text: str) -> tuple[tuple[str, ...], str]:
    """Cut the first field off; it may be quoted, wholly or at its end."""
    found = _PRINCIPALS.match(text)
    if found is None:
        raise ValueError("it has no principal, or a quote is not closed")
    field = found["bare"] + (found["quoted"] or "")
    principals = tuple(field.split(","))
    if not all(each.removeprefix("!") for each in principals):
        raise ValueError("a principal is empty")
    if all(each.startswith("!") for each in principals):
        raise ValueError("its principals only exclude")
    if any(unicodedata.category(sign).startswith("C") for sign in field):
        raise ValueError("a principal holds an invisible or control character")
    return principals, text[found.end() :].lstrip(_BLANKS)


def _split_options(rest: str) -> tuple[str, str]:
    """Return the options, which may be missing, and the text of the key."""
    if _KEY_KIND.match(rest):
        return "", rest
    quoted, at = False, 0
    while at < len(rest) and (quoted or rest[at] not in _BLANKS):
        if rest.startswith('\\"', at):
            at += 1
        elif rest[at] == '"':
            quoted = not quoted
        at += 1
    key_text = rest[at:].lstrip(_BLANKS)
    if quoted:
        raise ValueError("a quote in the options is not closed")
    if not _KEY_KIND.match(key_text):
        raise ValueError("it has no public key")
    return rest[:at], key_text


def _parsed_options(text: str) -> dict[str, str]:
    """Return the options by name; a flag has an empty value."""
    options: dict[str, str] = {}
    at = 0
    while at < len(text):
        found = _OPTION.match(text, at)
        if found is None or (found.end() == len(text) and found["more"]):
            raise ValueError(f"its options cannot be read from {text[at:][:30]!r} on")
        name, value = found["name"].lower(), found["value"]
        if name not in ("cert-authority", "namespaces", "valid-after", "valid-before"):
            raise ValueError(f"the option {name!r} is unknown")
        if (value is None) != (name == "cert-authority"):
            raise ValueError(f"the option {name!r} has {'no' if value is None else 'a'} value")
        if name in options and value is not None:
            raise ValueError(f"the option {name!r} comes twice")
        options[name] = (value or "").replace('\\"', '"')
        at = found.end()
    return options


def _time(text: str | None, name: str) -> datetime | None:
    """Read YYYYMMDD[HHMM[SS]][Z]; ssh-keygen takes UTC for Z as well."""
    if text is None:
        return None
    found = _TIME.fullmatch(text)
    if found is None:
        raise ValueError(f"{name} is no time like 20260131 or 202601312359Z")
    layout = _TIME_LAYOUT[len(found["digits"])]
    try:
        if found["zone"]:
            return datetime.strptime(found["digits"], layout).replace(tzinfo=UTC)
        return datetime.strptime(found["digits"], layout).astimezone()
    except (ValueError, OverflowError):
        raise ValueError(f"{name} is no day and time of the calendar") from None
