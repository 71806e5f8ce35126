"""What does a package look like from outside? One folder, and the proof in one subfolder.

    Example Artist - Song Title (122 BPM, F# minor)/
    |-- Example Artist - Song Title (Cover).jpg
    |-- Example Artist - Song Title (Info).txt
    |-- WAV/
    |   `-- Example Artist - Song Title (Clean).wav ...
    `-- proof/
        |-- SHA256SUMS       the manifest's files, for sha256sum -c in the top folder
        |-- manifest.json    what is signed
        |-- manifest.json.sig
        `-- signer.pub

Cover and info sheet carry artist and title like everything else, because a
file leaves its folder sooner or later.

Conventions
    path    relative to the package's top folder, "/" between components

Not here: the names themselves (``relkit.pack.names``), writing the folder
(``relkit.release``), the same as one file (``relkit.pack.archive``).
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from relkit.filenames import fault_of_path, shown
from relkit.manifest import PROOF, ReleaseFacts
from relkit.pack.names import file_name

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
}
_ELSEWHERE = "Other"

_SHA256 = re.compile(r"[0-9a-f]{64}")
_LITTER_FILES = re.compile(
    r"\.ds_store|\._.*|thumbs\.db|desktop\.ini|\.apdisk|\.volumeicon\.icns", re.IGNORECASE
)
_LITTER_FOLDERS = re.compile(
    r"\.trashes|\.trash-\d+|\.fseventsd|\.spotlight-v100|\.temporaryitems|\.documentrevisions-v100"
    r"|__macosx|system volume information|\$recycle\.bin",
    re.IGNORECASE,
)


def bounce_path(release: ReleaseFacts, label: str, container: str | None, *, suffix: str = "") -> str:
    """Return where a bounce lies in the package.

    Args:
        release: artist and title.
        label: of the version.
        container: as recognised in the bytes; None or "other" for an opaque file.
        suffix: what the opaque file is called by, ``.ogg``; not looked at for a known container.

    Raises:
        relkit.pack.names.LongLabelError: the label leaves no room.
        ValueError: unknown container and no usable suffix.
    """
    folder, ending = _PLACES.get(container or "", (_ELSEWHERE, suffix.lower()))
    return f"{folder}/{file_name(release.artist, release.title, label, ending)}"


def cover_path(release: ReleaseFacts) -> str:
    """Return where the cover lies in the package."""
    return file_name(release.artist, release.title, "Cover", ".jpg")


def info_path(release: ReleaseFacts) -> str:
    """Return where the info sheet lies in the package."""
    return file_name(release.artist, release.title, "Info", ".txt")


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
