"""The cover of a package: one beside the files, a small one inside them.

Pictures are encoded differently by every version of the libraries, so both are
made once. The one beside the files is found in an earlier package; the small
one is remembered, and in every file of such a package anyway.

Not here: turning pictures into JPEG (``relkit.pack.artwork``).
"""

from __future__ import annotations

from relkit.manifest import Derivation, FileEntry, RevisionManifest
from relkit.pack import artwork, layout
from relkit.pack.facts import SongFacts
from relkit.release import package_files
from relkit.release.filing import Filing
from relkit.release.package_files import tree_of
from relkit.release.workspace import VerifiedRevision, Workspace
from relkit.sheet import Sheet


def source_of(revision: RevisionManifest, *, clean: bool) -> FileEntry | None:
    """Return the picture that a recipient may see: the clean one where they need it and there is one."""
    roles = ("cover-clean", "cover") if clean else ("cover",)
    found = {entry.role: entry for entry in revision.files}
    return next((found[role] for role in roles if role in found), None)


def add_cover(
    workspace: Workspace,
    revision: VerifiedRevision,
    filing: Filing,
    sheet: Sheet,
    song: SongFacts,
    pattern: str,
    *,
    clean: bool,
) -> bytes | None:
    """Add the cover to a package, and return the small one for the insides of files; None without a cover.

    Raises:
        BadInputError: the picture cannot be used.
        DamagedError: the store does not give it back.
    """
    source = source_of(revision.manifest, clean=clean)
    if source is None:
        return None
    picture = _Picture(workspace, revision, source)
    place = layout.cover_path(song, pattern=pattern)
    recipe = artwork.cover_recipe(sheet.cover_size_px)
    if filing.again("cover", place, source.sha256, recipe) is None:
        made = Derivation(source_sha256=source.sha256, recipe=recipe, made_with=artwork.made_with())
        jpeg = artwork.cover_jpeg(picture.bytes(), longest_px=sheet.cover_size_px)
        filing.small("cover", place, jpeg, made)
    key = f"{source.sha256} {artwork.embedded_recipe(sheet.cover_embedded_px)}".encode()
    small = workspace.cache.get("picture", key)
    if small is None:
        small = artwork.embedded_jpeg(picture.bytes(), longest_px=sheet.cover_embedded_px)
        workspace.cache.put("picture", [(key, small)])
    return small


class _Picture:
    """A picture of a revision, read when it is first asked for."""

    def __init__(self, workspace: Workspace, revision: VerifiedRevision, source: FileEntry) -> None:
        self._workspace = workspace
        self._revision = revision
        self._source = source
        self._bytes: bytes | None = None

    def bytes(self) -> bytes:
        """Return the file."""
        if self._bytes is None:
            data = bytearray()
            tree = tree_of(self._revision.held.content, self._source)
            package_files.restore(self._workspace, tree, self._source, data.extend)
            self._bytes = bytes(data)
        return self._bytes
