"""What somebody gets: which versions a kind of recipient takes, in which formats, and never gets.

The tables are common practice, no source. Rules follow from the axes of a
version, not from its id, so that a version which a sheet invents is treated
like the well-known ones.

Not here: single wishes of a recipient, and the gate over names and notes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from relkit.errors import UsageError
from relkit.filenames import shown
from relkit.manifest import VersionFacts
from relkit.release.recipients import Recipient
from relkit.vocabulary.recipients import RecipientKind

Rule = Callable[[VersionFacts], bool]

# Kinds whose listeners did not choose what they hear.
NO_EXPLICIT = frozenset(
    {
        RecipientKind.RADIO_PROGRAMME,
        RecipientKind.MIX_SHOW,
        RecipientKind.EVENT_DJ,
        RecipientKind.ARENA,
        RecipientKind.SYNC,
    }
)


def _everything(_version: VersionFacts) -> bool:
    return True


def _playable(version: VersionFacts) -> bool:
    return version.parts != "stems"


def _song_and_instrumental(version: VersionFacts) -> bool:
    return version.form in {"song", "short"} and version.parts in {"full", "instrumental"}


def _dj_edit_and_acapella(version: VersionFacts) -> bool:
    return version.form == "dj-edit" or version.parts == "acapella"


def _for_licensing(version: VersionFacts) -> bool:
    return version.form in {"song", "short"} and version.parts in {"full", "instrumental", "stems"}


_TAKES: dict[RecipientKind, Rule] = {
    RecipientKind.CLUB_DJ: _playable,
    RecipientKind.RADIO_PROGRAMME: _song_and_instrumental,
    RecipientKind.MIX_SHOW: _dj_edit_and_acapella,
    RecipientKind.EVENT_DJ: _playable,
    RecipientKind.ARENA: _song_and_instrumental,
    RecipientKind.REMIXER: _everything,
    RecipientKind.LABEL: _everything,
    RecipientKind.SYNC: _for_licensing,
}

# Keys of relkit.pack.renditions.FORMATS, in the order in which a note names them.
_FORMATS: dict[RecipientKind, tuple[str, ...]] = {
    RecipientKind.CLUB_DJ: ("mp3",),
    RecipientKind.RADIO_PROGRAMME: ("wav-radio", "mp3"),
    RecipientKind.MIX_SHOW: ("wav", "mp3"),
    RecipientKind.EVENT_DJ: ("mp3",),
    RecipientKind.ARENA: ("wav-48k24",),
    RecipientKind.REMIXER: ("wav-native",),
    RecipientKind.LABEL: ("wav-native",),
    RecipientKind.SYNC: ("wav-native", "mp3"),
}


@dataclass(frozen=True)
class Wants:
    """What goes into a package, beside the revision that it is built from.

    Attributes:
        versions: in the order of the sheet.
        formats: keys of ``relkit.pack.renditions.FORMATS``.
        clean: whether title and cover must be the clean ones, where the sheet has them.
    """

    versions: tuple[VersionFacts, ...]
    formats: tuple[str, ...]
    clean: bool


def formats_for(recipient: Recipient, asked: Sequence[str] = ()) -> tuple[str, ...]:
    """Return the formats for a recipient.

    Args:
        asked: formats asked for instead of what the recipient takes.

    Raises:
        UsageError: a format that is not known, or two that would lie in one folder.
    """
    from relkit.pack.renditions import FORMATS

    unknown = next((each for each in (*asked, *recipient.formats) if each not in FORMATS), None)
    if unknown is not None:
        raise UsageError(f"the format {shown(unknown)} is not known", hint=f"Use {', '.join(FORMATS)}.")
    asked = asked or recipient.formats
    chosen = tuple(dict.fromkeys(asked)) or _FORMATS[RecipientKind(recipient.kind)]
    for place, each in enumerate(chosen):
        other = next((one for one in chosen[:place] if FORMATS[one] == FORMATS[each]), None)
        if other is not None:
            raise UsageError(
                f"{other} and {each} would both lie in the folder {FORMATS[each]}",
                hint="Ask for one of them, or ship twice.",
            )
    return chosen


def choose(
    versions: Sequence[VersionFacts],
    recipient: Recipient,
    only: Sequence[str] = (),
) -> list[VersionFacts]:
    """Return the versions for a recipient, in the given order.

    What a kind takes is passed over silently where it must not go to them, also
    where there is a reason to send something: a reason for one thing must not let
    another slip through. What was asked for by name is not passed over:
    ``forbidden`` says what of it needs a reason.

    Args:
        versions: of the revision, each once.
        only: ids asked for instead of what the recipient takes.

    Raises:
        UsageError: an id that the revision does not have, or nothing is left to send.
    """
    missing = [wanted for wanted in only if wanted not in {version.id for version in versions}]
    if missing:
        raise UsageError(
            f"this revision has no version {shown(missing[0])}",
            hint=f"It has {', '.join(version.id for version in versions)}.",
        )
    takes = _TAKES[RecipientKind(recipient.kind)]
    usual = recipient.versions
    chosen = [
        version
        for version in versions
        if (version.id in only if only else version.id in usual if usual else takes(version))
    ]
    if not only:
        chosen = [version for version in chosen if why_not(version, recipient) is None]
        if recipient.kind == RecipientKind.ARENA and not usual:
            chosen = _strictest(chosen)
    if not chosen:
        raise UsageError(
            f"nothing in this revision is for {shown(recipient.name)}, {RecipientKind(recipient.kind).one}",
            hint="Say what to send with --only, or declare ratings in the sheet.",
        )
    return chosen


def excludes_explicit(recipient: Recipient) -> bool:
    """Say whether nothing explicit may go to somebody: what their entry says, or else their kind."""
    if recipient.explicit is not None:
        return not recipient.explicit
    return RecipientKind(recipient.kind) in NO_EXPLICIT


def why_not(version: VersionFacts, recipient: Recipient) -> str | None:
    """Say why a version must not go to somebody without a recorded reason; None where it may."""
    if excludes_explicit(recipient) and version.may_be_explicit:
        rated = "is explicit" if version.rating == "explicit" else "has no rating, so it may be explicit"
        return f"{version.id} {rated}"
    left = [what for what in recipient.must_remove if what not in version.removed]
    # Where nothing needed an edit there was nothing to remove.
    if left and version.rating == "clean":
        return f"{version.id} does not say that it is free of {' and '.join(left)}"
    return None


def forbidden(versions: Sequence[VersionFacts], recipient: Recipient) -> list[str]:
    """Return why any of these must not go to somebody without a recorded reason."""
    return [why for version in versions if (why := why_not(version, recipient)) is not None]


def _strictest(versions: list[VersionFacts]) -> list[VersionFacts]:
    """Of versions that differ only in what was removed, keep the one with the most removed."""

    def rivals(version: VersionFacts) -> tuple[str, str, str | None]:
        return version.parts, version.form, version.language

    most = {
        rivals(version): max(len(each.removed) for each in versions if rivals(each) == rivals(version))
        for version in versions
    }
    kept: list[VersionFacts] = []
    for version in versions:
        twin = any(rivals(each) == rivals(version) for each in kept)
        if len(version.removed) == most[rivals(version)] and not twin:
            kept.append(version)
    return kept
