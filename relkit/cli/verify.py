"""``relkit verify``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from relkit.cli.options import AsJson, ReleaseFolder, home
from relkit.cli.output import as_json, plural, say, to_document
from relkit.errors import RelkitError
from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.release.home import Home
    from relkit.release.tracing import Trace
    from relkit.release.verify import PackageFaultsError, VerifiedCopy


def verify(
    path: Annotated[
        Path, typer.Argument(help="A package, its folder or its ZIP; in a release also a single file.")
    ],
    release: ReleaseFolder = None,
    json: AsJson = False,
) -> None:
    """Check a package against its manifest and signature, and say who got it.

    Needs no release. In a release, or with --release, it also says which package
    or file this is, every shipment that carried it, and whether newer exists; a
    package that lost its proof, or a single file, is looked for by bytes and by
    sound. Exit codes: 0 every byte is as it was signed by somebody trusted, or
    the file is known, 2 no package and nothing of this release, 4 changed,
    missing or foreign files, 5 whole, but the signer is not trusted.
    """
    from relkit.release.verify import NoPackageError
    from relkit.release.verify import verify as verify_package

    user = home()
    try:
        copy = verify_package(path, user)
    except RelkitError as error:
        traced = _traced(path, release, user)
        if not _told(error, traced, json=json):
            raise (_faults(traced) if isinstance(error, NoPackageError) else None) or error from None
        return
    traced = _traced(path, release, user)
    if json:
        as_json({**to_document(copy), "trace": to_document(traced)})
        return
    _print(copy)
    if traced is not None:
        _print_trace(traced)


def _traced(path: Path, release: Path | None, user: Home) -> Trace | None:
    """Look it up in the release that the user is in; None without one, or if it is nothing of it."""
    from relkit.release.tracing import UnknownHereError, trace
    from relkit.release.workspace import NoReleaseError, Workspace

    if not path.exists():
        return None
    try:
        workspace = Workspace.find(release or Path(), user)
    except NoReleaseError:
        if release is not None:
            raise
        return None
    try:
        return trace(workspace, path)
    except (UnknownHereError, OSError):
        if release is not None and path.is_file():
            raise
        return None
    finally:
        workspace.close()


def _told(error: RelkitError, traced: Trace | None, *, json: bool) -> bool:
    """Print what is known of what is no whole package; say whether that answers the question."""
    from relkit.pack.archive import BadArchiveError
    from relkit.release.verify import NoPackageError, PackageFaultsError

    faults = error if isinstance(error, PackageFaultsError) else None
    # Without its proof, or packed again by another program, it may still be known by its files.
    answered = isinstance(error, (NoPackageError, BadArchiveError)) and _is_whole(traced)
    if json and (faults or traced):
        lists = (
            {} if faults is None else {"bad": faults.bad, "missing": faults.missing, "extra": faults.extra}
        )
        document: dict[str, Any] = {**lists, "trace": to_document(traced)}
        as_json(document)
    elif not json:
        if faults is not None:
            _print_faults(faults)
        if traced is not None:
            _print_trace(traced, files=faults is None)
    return answered


def _faults(traced: Trace | None) -> PackageFaultsError | None:
    """Return what is wrong with a package that lost its proof, and is known by its files."""
    from relkit.release.verify import PackageFaultsError

    if traced is None or _is_whole(traced):
        return None
    changed = dict.fromkeys(traced.altered, "has other bytes than were sent")
    return PackageFaultsError(changed, traced.missing, traced.foreign)


def _is_whole(traced: Trace | None) -> bool:
    return traced is not None and not (traced.altered or traced.missing or traced.foreign)


def _print_faults(error: PackageFaultsError) -> None:
    for name, why in sorted(error.bad.items()):
        say(f"  changed   {shown(name)}: {shown(why)}")
    for name in error.missing:
        say(f"  missing   {shown(name)}")
    for name in error.extra:
        say(f"  foreign   {shown(name)}")


def _print(copy: VerifiedCopy) -> None:
    manifest = copy.manifest
    say(
        f"{shown(manifest.name)}",
        f"  revision {manifest.revision} of {manifest.recorded_at[:10]}, package {copy.digest[:12]}",
        f"  {plural(len(manifest.files), 'file')}, every byte as signed by {shown(copy.signer)}",
        f"  {copy.fingerprint}",
    )
    if copy.litter:
        say(f"  left by an operating system, harmless: {', '.join(map(shown, copy.litter))}")


_HOW = {
    "manifest": "by its manifest",
    "files": "by its files; its proof is not with it",
    "bytes": "by its bytes",
    "sound": "by its sound; tags or container are not as they were sent",
}


def _print_trace(traced: Trace, *, files: bool = False) -> None:
    """Print what something is, and who got it.

    Args:
        files: whether to list what differs, too.
    """
    if traced.known_by != "manifest":
        say(*(f"  {shown(name)}" for name in traced.names))
    numbers = ", ".join(map(str, traced.revisions))
    say(f"  known {_HOW[traced.known_by]}: revision {numbers}, the newest is {traced.newest}")
    for what, names in (
        ("changed", traced.altered),
        ("missing", traced.missing),
        ("foreign", traced.foreign),
    ):
        say(*(f"  {what}   {shown(name)}" for name in names if files))
    for each in traced.shipments:
        back = f"; taken back: {shown(each.withdrawn)}" if each.withdrawn else ""
        kind = f" ({each.kind})" if each.kind else ""
        whom = f"{shown(each.recipient)}{kind}"
        say(f"  sent on {each.shipped_on} to {whom}, shipment {each.shipment[:8]}{back}")
    if not traced.shipments:
        say("  sent to nobody")
    if traced.outdated:
        say(f"  sounds different in revision {traced.newest}: {', '.join(traced.outdated)}")
