"""The cover of a package: one beside the files, a small one inside them.

Pictures are encoded differently by every version of the libraries, so both are
made once and found again in an earlier package: the small one in its page,
whose derivation says so.

Not here: turning pictures into JPEG (``relkit.pack.artwork``).
"""

from __future__ import annotations

from typing import Self

from relkit.manifest import Derivation, FileEntry, RevisionManifest
from relkit.pack import artwork
from relkit.pack.page import picture_in
from relkit.release import package_files
from relkit.release.derived import Derivatives
from relkit.release.filing import Filing
from relkit.release.package_files import tree_of
from relkit.release.remarks import Remark, on_cover
from relkit.release.workspace import VerifiedRevision, Workspace
from relkit.sheet import Sheet


def source_of(revision: RevisionManifest, *, clean: bool) -> FileEntry | None:
    """Return the picture that a recipient may see: the clean one where they need it and there is one."""
    roles = ("cover-clean", "cover") if clean else ("cover",)
    found = {entry.role: entry for entry in revision.files}
    return next((found[role] for role in roles if role in found), None)


class Cover:
    """The cover of one package."""

    def __init__(
        self, workspace: Workspace, revision: VerifiedRevision, sheet: Sheet, source: FileEntry
    ) -> None:
        self._workspace = workspace
        self._revision = revision
        self._source = source
        self._large_px, self._small_px = sheet.cover_size_px, sheet.cover_embedded_px
        self._made_with = ""
        self._bytes: bytes | None = None

    @classmethod
    def of(
        cls, workspace: Workspace, revision: VerifiedRevision, sheet: Sheet, *, clean: bool
    ) -> Self | None:
        """Return the cover for somebody, or None."""
        source = source_of(revision.manifest, clean=clean)
        return cls(workspace, revision, sheet, source) if source else None

    def add(self, filing: Filing, place: str) -> bytes:
        """Add the cover to a package, and return the small one for the insides of files.

        Raises:
            BadInputError: the picture cannot be used.
            DamagedError: the store does not give it back.
        """
        sha256, recipe = self._source.sha256, artwork.cover_recipe(self._large_px)
        if filing.again("cover", place, sha256, recipe) is None:
            made = Derivation(source_sha256=sha256, recipe=recipe, made_with=artwork.made_with())
            filing.small("cover", place, artwork.cover_jpeg(self._picture(), longest_px=self._large_px), made)
        return self._small(filing.derivatives)

    @property
    def derivation(self) -> Derivation:
        """Where the small cover comes from: said of the page, which holds it."""
        return Derivation(
            source_sha256=self._source.sha256,
            recipe=artwork.embedded_recipe(self._small_px),
            made_with=self._made_with,
        )

    def remarks(self) -> list[Remark]:
        """Return what is odd about the picture."""
        return on_cover(self._picture(), self._large_px)

    def _small(self, derivatives: Derivatives) -> bytes:
        """Return the small cover: out of a page of an earlier package, or made now."""
        found = derivatives.file(self._source.sha256, artwork.embedded_recipe(self._small_px))
        if found is not None and found.entry.derived_from is not None:
            page = bytearray()
            package_files.restore(self._workspace, found.tree, found.entry, page.extend)
            picture = picture_in(bytes(page))
            if picture is not None:
                self._made_with = found.entry.derived_from.made_with
                return picture
        self._made_with = artwork.made_with()
        return artwork.embedded_jpeg(self._picture(), longest_px=self._small_px)

    def _picture(self) -> bytes:
        """Return the source, read when it is first asked for."""
        if self._bytes is None:
            data = bytearray()
            tree = tree_of(self._revision.held.content, self._source)
            package_files.restore(self._workspace, tree, self._source, data.extend)
            self._bytes = bytes(data)
        return self._bytes
