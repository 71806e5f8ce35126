"""What does a package look like from outside? One folder, and the proof in one subfolder.

    Example Artist - Song Title (122 BPM, F# minor)/
    |-- Example Artist - Song Title (Cover).jpg
    |-- Example Artist - Song Title (Info).txt, .html
    |-- MP3/
    |   `-- Example Artist - Song Title (Clean).mp3 ...
    |-- WAV/
    |   `-- Example Artist - Song Title (Clean).wav ...
    |-- Stems/
    |   `-- Example Artist - Song Title (Kick).wav ...
    `-- proof/
        |-- SHA256SUMS       the manifest's files, for sha256sum -c in the top folder
        |-- manifest.json    what is signed
        |-- manifest.json.sig
        `-- signer.pub

Cover and info sheet carry artist and title like everything else, because a
file leaves its folder sooner or later. A folder of audio is flat and holds one
format, so that nobody imports everything twice.

Conventions
    path    relative to the package's top folder, "/" between components

Not here: the names themselves (``relkit.pack.names``), writing the folder
(``relkit.release``), the same as one file (``relkit.pack.archive``).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import PurePosixPath

from relkit.filenames import fault_of_path, shown
from relkit.manifest import PROOF, VersionFacts
from relkit.pack.facts import SongFacts
from relkit.pack.names import MAX_LABEL_UNITS, LongLabelError, component, file_name, folder_name
from relkit.pack.pattern import DEFAULT_PATTERN

MANIFEST = f"{PROOF}/manifest.json"
SIGNATURE = f"{PROOF}/manifest.json.sig"
PUBLIC_KEY = f"{PROOF}/signer.pub"
SUMS = f"{PROOF}/SHA256SUMS"
PROOF_FILES = frozenset({MANIFEST, SIGNATURE, PUBLIC_KEY, SUMS})

# Container, as ``relkit.audio.formats`` names it, to folder and suffix: what people call it who open it.
_PLACES = {
    "wav": ("WAV", ".wav"),
    "rf64": ("WAV", ".wav"),
    "bw64": ("WAV", ".wav"),
    "aiff": ("AIFF", ".aiff"),
    "aifc": ("AIFF", ".aiff"),
    "mp3": ("MP3", ".mp3"),
    "flac": ("FLAC", ".flac"),
}
_ELSEWHERE = "Other"
_STEMS = "Stems"

_SHA256 = re.compile(r"[0-9a-f]{64}")
_LITTER_FILES = re.compile(
    r"\.ds_store|\._.*|thumbs\.db|desktop\.ini|\.apdisk|\.volumeicon\.icns", re.IGNORECASE
)
_LITTER_FOLDERS = re.compile(
    r"\.trashes|\.trash-\d+|\.fseventsd|\.spotlight-v100|\.temporaryitems|\.documentrevisions-v100"
    r"|__macosx|system volume information|\$recycle\.bin",
    re.IGNORECASE,
)


def folder(song: SongFacts) -> str:
    """Return the name of the package's top folder."""
    return folder_name(song.artist, song.title, song.tempo_text, str(song.key) if song.key else None)


def version_path(
    song: SongFacts,
    version: VersionFacts,
    container: str | None,
    *,
    suffix: str = "",
    pattern: str = DEFAULT_PATTERN,
) -> str:
    """Return where a version, or a file made from it, lies in the package.

    Args:
        container: as recognised in the bytes, or "flac"; None or "other" for an opaque file.
        suffix: what an opaque file is called by, ``.ogg``; not looked at for a known container.
        pattern: for names, of the sheet.

    Raises:
        relkit.pack.names.LongLabelError, relkit.pack.names.LongPatternError: no room.
        ValueError: unknown container and no usable suffix.
    """
    place, ending = _place(container, suffix)
    return f"{place}/{file_name(song, version, ending, pattern=pattern)}"


def stem_path(
    song: SongFacts,
    version: VersionFacts,
    inside: str,
    container: str | None,
    *,
    suffix: str = "",
    pattern: str = DEFAULT_PATTERN,
) -> str:
    """Return where one file of a version that is a folder lies in the package.

    All of them lie in ``Stems/``; a version that is not just called "Stems" has
    a folder of its own there. What is a version in other names is the stem here.

    Args:
        inside: path in the version's folder, "drums/kick.wav"; its suffix does not count.
        container, suffix, pattern: as for ``version_path``.

    Raises:
        relkit.pack.names.LongLabelError, relkit.pack.names.LongPatternError: no room.
        ValueError: unknown container and no usable suffix.
    """
    label = component(version.label, otherwise=version.id)
    own = "" if label == _STEMS else f"{label}/"
    stem = " - ".join(PurePosixPath(inside).with_suffix("").parts)
    for text, hint in ((label, "Give the version a shorter label in the sheet"), (stem, "Rename the stem")):
        if len(text) > MAX_LABEL_UNITS:
            raise LongLabelError(text, hint=hint)
    named = version.model_copy(update={"label": stem, "id": "stem"})
    ending = _place(container, suffix)[1]
    return f"{_STEMS}/{own}{file_name(song, named, ending, pattern=pattern)}"


def _place(container: str | None, suffix: str) -> tuple[str, str]:
    """Return folder and suffix of a container."""
    return _PLACES.get(container or "", (_ELSEWHERE, suffix.lower()))


def cover_path(song: SongFacts, *, pattern: str = DEFAULT_PATTERN) -> str:
    """Return where the cover lies in the package."""
    return file_name(song, "Cover", ".jpg", pattern=pattern)


def info_path(song: SongFacts, *, pattern: str = DEFAULT_PATTERN) -> str:
    """Return where the note lies in the package, as text."""
    return file_name(song, "Info", ".txt", pattern=pattern)


def page_path(song: SongFacts, *, pattern: str = DEFAULT_PATTERN) -> str:
    """Return where the same note lies as a page."""
    return file_name(song, "Info", ".html", pattern=pattern)


def sha256sums(entries: Iterable[tuple[str, str]]) -> bytes:
    """Return a checksum list that ``sha256sum -c proof/SHA256SUMS`` takes in the top folder.

    Hand in the manifest's files and nothing else: then the list says exactly
    what the signed manifest says.

    Args:
        entries: path and SHA-256 (64 lower-case hex digits) of each file.

    Raises:
        ValueError: an unsafe path (it might need escaping) or no SHA-256.
    """
    lines: list[tuple[bytes, str]] = []
    for path, digest in entries:
        fault = fault_of_path(path)
        if fault is not None:
            raise ValueError(f"{shown(path)!r} {fault}")
        if not _SHA256.fullmatch(digest):
            raise ValueError(f"{digest!r} is no SHA-256")
        lines.append((path.encode(), digest))
    return b"".join(digest.encode() + b"  " + path + b"\n" for path, digest in sorted(lines))


def is_system_litter(path: str) -> bool:
    """Whether a stray file is one that operating systems leave on sticks, worth a note only.

    Ask this only of files that the manifest does not list.
    """
    *folders, name = path.split("/")
    return bool(_LITTER_FILES.fullmatch(name)) or any(_LITTER_FOLDERS.fullmatch(part) for part in folders)
