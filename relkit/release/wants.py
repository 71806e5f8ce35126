"""Which versions somebody gets: what a kind of recipient takes, and never gets.

The table is common practice, no source. Rules follow from the axes of a
version, not from its id, so that a version which a sheet invents is treated
like the well-known ones.

Not here: single wishes of a recipient, and the gate over names and notes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from relkit.errors import FoundError, UsageError
from relkit.filenames import shown
from relkit.manifest import VersionFacts
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


def _song_and_instrumental(version: VersionFacts) -> bool:
    return version.form in {"song", "short"} and version.parts in {"full", "instrumental"}


def _dj_edit_and_acapella(version: VersionFacts) -> bool:
    return version.form == "dj-edit" or version.parts == "acapella"


def _for_licensing(version: VersionFacts) -> bool:
    return version.form in {"song", "short"} and version.parts in {"full", "instrumental", "stems"}


_TAKES: dict[RecipientKind, Rule] = {
    RecipientKind.CLUB_DJ: _everything,
    RecipientKind.RADIO_PROGRAMME: _song_and_instrumental,
    RecipientKind.MIX_SHOW: _dj_edit_and_acapella,
    RecipientKind.EVENT_DJ: _everything,
    RecipientKind.ARENA: _song_and_instrumental,
    RecipientKind.REMIXER: _everything,
    RecipientKind.LABEL: _everything,
    RecipientKind.SYNC: _for_licensing,
}


class ExplicitForbiddenError(FoundError):
    """An explicit version would go to somebody who must not get one."""


def choose(
    versions: Sequence[VersionFacts], kind: str, only: Sequence[str] = (), despite: str | None = None
) -> list[VersionFacts]:
    """Return the versions for a recipient, in the given order.

    Args:
        versions: of the revision, each once.
        kind: of the recipient.
        only: ids asked for instead of what the kind takes.
        despite: why explicit material goes to a kind that excludes it; recorded by the caller.

    Raises:
        ExplicitForbiddenError: ``only`` asks for explicit material, and no reason is given.
        UsageError: an id that the revision does not have, or nothing is left to send.
    """
    known = RecipientKind(kind)
    missing = [wanted for wanted in only if wanted not in {version.id for version in versions}]
    if missing:
        raise UsageError(
            f"this revision has no version {shown(missing[0])}",
            hint=f"It has {', '.join(version.id for version in versions)}.",
        )
    chosen = [version for version in versions if (version.id in only if only else _TAKES[known](version))]
    explicit = [version for version in chosen if version.may_be_explicit]
    if known in NO_EXPLICIT and explicit:
        if only and not despite:
            raise ExplicitForbiddenError(
                f"{explicit[0].id} may be explicit, and {known.one} must not get it",
                hint="Leave it out; or declare its rating in the sheet if it is clean; "
                "or give the reason with --despite, which is recorded.",
            )
        if not despite:
            chosen = [version for version in chosen if not version.may_be_explicit]
    if not chosen:
        raise UsageError(
            f"nothing in this revision is for {known.one}",
            hint="Say what to send with --only, or declare ratings in the sheet.",
        )
    return chosen


def needs_a_reason(versions: Sequence[VersionFacts], kind: str) -> bool:
    """Say whether any of these must not go to that kind without a recorded reason."""
    return RecipientKind(kind) in NO_EXPLICIT and any(version.may_be_explicit for version in versions)
