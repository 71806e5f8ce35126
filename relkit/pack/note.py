"""What does a recipient read first? The info sheet of a package, plain text.

The sheet is a file of the signed package: its bytes follow from the manifest's
facts alone, never from a clock, a locale or the Python that runs. Another
wording is another ``RECIPE``.

Conventions
    text       UTF-8 without a byte order mark, lines end in CR LF (Windows' editor), about 80 columns
    length     m:ss.mmm, from frames, rounded half up; minutes do not turn into hours
    loudness   [LUFS], true peak [dBTP], two decimals as in the manifest
    widths     counted in code points: the width of a character depends on the Unicode version

Sources
    What a sheet says, and that "clean" is a claim: common practice, no published source.

Not here: measuring, what is in the package, and a sheet in other languages.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from relkit.manifest import MANIFEST_NAMESPACE, FileEntry, ReleaseFacts, SoundFacts, VersionFacts
from relkit.pack.layout import MANIFEST, PUBLIC_KEY, SIGNATURE, SUMS
from relkit.pack.names import one_line

RECIPE = "info-sheet-1"

_WIDTH = 78
_RATINGS = {"no-edit-needed": "no edit needed", None: "not declared"}
_MOST_PADDED = 24  # characters of a label; a longer one pushes its own row only


@dataclass(frozen=True)
class Replacement:
    """What an earlier package held that this one takes the place of.

    Attributes:
        revision: that the earlier package was built from.
        recorded_on: day of that revision, "yyyy-mm-dd".
        changed, unchanged, added, removed: labels of versions (and of the cover).
        same_length: every changed version lasts as long as before, to the sample.
    """

    revision: int
    recorded_on: str
    changed: Sequence[str] = ()
    unchanged: Sequence[str] = ()
    added: Sequence[str] = ()
    removed: Sequence[str] = ()
    same_length: bool = True


def info_sheet(
    release: ReleaseFacts,
    files: Sequence[FileEntry],
    *,
    revision: int,
    recorded_on: str,
    fingerprint: str,
    replaces: Replacement | None = None,
) -> bytes:
    """Write the sheet.

    Args:
        release: artist, title and what else is declared.
        files: of the package, in the order they shall be listed; those without a version are left out.
        revision: that the package is built from.
        recorded_on: its day, "yyyy-mm-dd".
        fingerprint: of the signing key, as ``ssh-keygen -l`` prints it, "SHA256:...".
        replaces: the package that this one takes the place of; it is then spoken of first.
    """
    sections = [
        _replacement(replaces) if replaces else [],
        _heading(release, revision, recorded_on),
        list(_versions(files)),
        list(_remarks(files)),
        _proof(fingerprint),
    ]
    text = "\n\n".join("\n".join(lines) for lines in sections if lines) + "\n"
    return text.replace("\n", "\r\n").encode()


def length_text(frames: int, rate_hz: int) -> str:
    """Return a length as m:ss.mmm, rounded half up in whole numbers."""
    if rate_hz <= 0:
        return "unknown"
    milliseconds = (2000 * frames + rate_hz) // (2 * rate_hz)
    minutes, rest = divmod(milliseconds, 60_000)
    return f"{minutes}:{rest // 1000:02d}.{rest % 1000:03d}"


def _heading(release: ReleaseFacts, revision: int, recorded_on: str) -> list[str]:
    title = f"{one_line(release.artist)} - {one_line(release.title)}"
    facts = [
        ("Tempo", one_line(release.tempo or "") or "not declared"),
        ("Key", one_line(release.key or "") or "not declared"),
        ("Revision", f"{revision}, recorded on {one_line(recorded_on)}"),
    ]
    return [title, "", *(f"{name:<10}{value}" for name, value in facts)]


def _replacement(old: Replacement) -> list[str]:
    """Say what happened to an earlier package, before anything else."""
    which = f"revision {old.revision}, recorded on {one_line(old.recorded_on)}"
    lines = [*_wrapped(f"THIS PACKAGE REPLACES an earlier one: {which}."), ""]
    parts = [
        ("Changed", old.changed),
        ("Unchanged", old.unchanged),
        ("Added", old.added),
        ("Removed", old.removed),
    ]
    for name, labels in parts:
        if labels or name == "Changed":
            listed = ", ".join(map(one_line, labels)) or "nothing"
            lines += _wrapped(listed, first=f"{name:<11}", later=" " * 11)
    lines.append("")
    if old.changed and old.same_length:
        lines += _wrapped(
            "What changed has the same length as before. Whether it starts at the same place was not "
            "measured: try a cue point before you rely on it."
        )
    elif old.changed:
        lines += _wrapped("The length of what changed is different: check cue points and edits.")
    if old.unchanged:
        lines += _wrapped("Unchanged versions hold the same audio as before, sample for sample.")
    if old.changed or old.removed:
        lines += _wrapped("Please stop using the earlier files of what changed or was removed.")
    return [*lines, "", "-" * _WIDTH]


def _versions(files: Sequence[FileEntry]) -> Iterator[str]:
    """Yield the table of versions: one row of numbers, below it what was removed and the file."""
    listed = [(entry, entry.version) for entry in files if entry.version is not None]
    if not listed:
        return
    labels = [one_line(version.label) for _, version in listed]
    pad = min(max(map(len, ["Version", *labels])), _MOST_PADDED)
    yield f"{'Version':<{pad}}  {'Length':>10}  {'Loudness':>12}  {'True peak':>11}  Rating"
    yield f"{'-' * pad}  {'-' * 10}  {'-' * 12}  {'-' * 11}  {'-' * 14}"
    for label, (entry, version) in zip(labels, listed, strict=True):
        length, loudness, peak = _numbers(entry.sound)
        yield f"{label:<{pad}}  {length:>10}  {loudness:>12}  {peak:>11}  {_rating(version)}"
        if version.removed:
            yield f"    removed: {', '.join(map(one_line, version.removed))}"
        yield f"    {one_line(entry.name)}"


def _numbers(sound: SoundFacts | None) -> tuple[str, str, str]:
    """Return length, loudness and true peak of one file as text."""
    if sound is None:
        return "-", "not measured", "-"
    length = length_text(sound.frames, sound.sample_rate_hz)
    if sound.meter is None:
        return length, "not measured", "-"
    loudness, peak = sound.integrated_loudness_lufs, sound.true_peak_dbtp
    return (
        length,
        # Null means below the gate or shorter than one gating block; the peak tells which.
        _figure(loudness, "LUFS") if loudness is not None else "silent" if peak is None else "too short",
        _figure(peak, "dBTP") if peak is not None else "-",
    )


def _figure(value: float, unit: str) -> str:
    return f"{round(value, 2) + 0.0:.2f} {unit}"  # the sum turns -0.0 into 0.0


def _rating(version: VersionFacts) -> str:
    return _RATINGS.get(version.rating) or one_line(version.rating or "")


def _remarks(files: Sequence[FileEntry]) -> Iterator[str]:
    """Yield what a recipient has to know beside the numbers."""
    if any(entry.version and entry.version.rating == "clean" for entry in files):
        yield from _wrapped(
            '"Clean" is the sender\'s own claim about a version. Broadcasters remain bound by their own code '
            "and need to listen before they air it."
        )
        yield ""
    yield from _wrapped(
        "Clearing samples and other rights is the sender's part. Playing in public or on air falls "
        "under the licences that the venue or station holds."
    )
    yield ""
    yield from _wrapped(
        "Set a moderate playback level before the first play, above all on headphones and large systems."
    )


def _proof(fingerprint: str) -> list[str]:
    """Say how to check the package with stock tools, and what that proves."""
    return [
        "Checking this package",
        "---------------------",
        *_wrapped(
            "In a terminal, in this folder, with tools that the system has. "
            "First, is every file here and whole?"
        ),
        "",
        f"    Linux     sha256sum -c {SUMS}",
        f"    macOS     shasum -a 256 -c {SUMS}",
        "    Windows   Get-FileHash FILE   (one file at a time, to compare with the list)",
        "",
        *_wrapped(f"Second, is {MANIFEST}, which lists the same files and digests, signed with this key?"),
        "",
        f'    echo "sender $(cat {PUBLIC_KEY})" > /tmp/sender.txt',
        f"    ssh-keygen -Y verify -f /tmp/sender.txt -I sender -n {MANIFEST_NAMESPACE} \\",
        f"        -s {SIGNATURE} < {MANIFEST}",
        f"    ssh-keygen -l -f {PUBLIC_KEY}",
        "",
        *_wrapped(
            "A good signature proves that whoever holds this key signed, and nothing about who that is. "
            "The key lies in this package too, so compare its fingerprint with the sender, by telephone or "
            "in an e-mail of their own:"
        ),
        "",
        f"    {one_line(fingerprint)}",
        "",
        *_wrapped(
            f"{SUMS} itself is not signed: it finds a damaged copy, not a forged one. "
            "relkit verify compares every file with the signed list."
        ),
    ]


def _wrapped(text: str, *, first: str = "", later: str = "") -> list[str]:
    return textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=first,
        subsequent_indent=later,
        break_long_words=False,
        break_on_hyphens=False,
    )
