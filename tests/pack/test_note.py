"""The info sheet: what a recipient reads, and that it cannot be made to say anything else."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from relkit.manifest import MANIFEST_NAMESPACE, PROOF, FileEntry, ReleaseFacts, SoundFacts, VersionFacts
from relkit.pack.layout import MANIFEST, PUBLIC_KEY, SIGNATURE, SUMS, sha256sums
from relkit.pack.note import Replacement, info_sheet, length_text
from tests.support.ssh_tools import generated_key, ssh_keygen

RELEASE = ReleaseFacts(artist="Example Artist", title="Example Song", tempo="122 BPM", key="F# minor")
FINGERPRINT = "SHA256:" + "x" * 43


def entry(
    label: str,
    rating: str | None = "explicit",
    *,
    removed: tuple[str, ...] = (),
    frames: int = 9_109_154,
    loudness: float | None = -9.8,
    peak: float | None = -1.0,
    meter: str | None = "meter-1",
) -> FileEntry:
    """Make a manifest entry of one version."""
    return FileEntry(
        role="version",
        name=f"WAV/Example Artist - Example Song ({label}).wav",
        size_bytes=1,
        sha256="0" * 64,
        xxh3_128="0" * 32,
        container="wav",
        version=VersionFacts(
            id="x",
            label=label,
            parts="full",
            form="song",
            rating=rating,
            removed=list(removed),
            length_group="song",
        ),
        sound=SoundFacts(
            identity="0" * 64,
            sample_format="s24",
            sample_rate_hz=44_100,
            channels=2,
            frames=frames,
            integrated_loudness_lufs=loudness,
            true_peak_dbtp=peak,
            meter=meter,
        ),
    )


COVER = FileEntry(role="cover", name="Cover.jpg", size_bytes=1, sha256="0" * 64, xxh3_128="0" * 32)
PACK = [entry("Explicit"), entry("Clean", "clean", removed=("swearing", "sound-alikes")), COVER]


def sheet(
    files: list[FileEntry] | None = None,
    *,
    release: ReleaseFacts = RELEASE,
    replaces: Replacement | None = None,
) -> str:
    """Write a sheet and read it back as text."""
    return info_sheet(
        release,
        PACK if files is None else files,
        revision=3,
        recorded_on="2024-02-29",
        fingerprint=FINGERPRINT,
        replaces=replaces,
    ).decode("utf-8")


def rows(text: str) -> list[str]:
    """Return the lines of a sheet."""
    return text.split("\r\n")


def test_every_fact_of_a_version_is_in_its_row() -> None:
    """Length, loudness, true peak, rating in columns; removals and file name below."""
    lines = rows(sheet())
    at = next(n for n, line in enumerate(lines) if line.startswith("Clean"))

    # 9 109 154 frames at 44 100 Hz are 206.5567... s.
    assert lines[at].split() == ["Clean", "3:26.557", "-9.80", "LUFS", "-1.00", "dBTP", "clean"]
    assert lines[at + 1] == "    removed: swearing, sound-alikes"
    assert lines[at + 2] == "    WAV/Example Artist - Example Song (Clean).wav"
    heading = next(line for line in lines if line.startswith("Version"))
    explicit = next(line for line in lines if line.startswith("Explicit"))
    # Numbers stand under the right edge of their heading.
    assert explicit.index("LUFS") + 4 == heading.index("Loudness") + len("Loudness")
    assert explicit.index("dBTP") + 4 == heading.index("True peak") + len("True peak")
    assert explicit.index("explicit") == heading.index("Rating")


def test_song_tempo_key_and_day_open_the_sheet() -> None:
    """A DJ looks for these four first."""
    assert rows(sheet())[:5] == [
        "Example Artist - Example Song",
        "",
        "Tempo     122 BPM",
        "Key       F# minor",
        "Revision  3, recorded on 2024-02-29",
    ]
    bare = sheet(release=ReleaseFacts(artist="A", title="B"))
    assert "Tempo     not declared" in bare


def test_clean_is_said_to_be_a_claim_where_a_clean_version_is_in_the_package() -> None:
    """And only there."""
    assert '"Clean" is the sender\'s own claim' in sheet()
    assert "claim" not in sheet([entry("Explicit")])
    assert "claim" not in sheet([entry("Main", "no-edit-needed")])


@pytest.mark.parametrize(
    ("file", "expected"),
    [
        (entry("S", loudness=None, peak=None), ["S", "3:26.557", "silent", "-", "explicit"]),
        (entry("S", loudness=None, frames=2), ["S", "0:00.000", "too", "short", "-1.00", "dBTP", "explicit"]),
        (entry("S", meter=None), ["S", "3:26.557", "not", "measured", "-", "explicit"]),
        (entry("S", loudness=-0.001), ["S", "3:26.557", "0.00", "LUFS", "-1.00", "dBTP", "explicit"]),
        (entry("S", rating=None), ["S", "3:26.557", "-9.80", "LUFS", "-1.00", "dBTP", "not", "declared"]),
        (entry("S", "clean", peak=0.3), ["S", "3:26.557", "-9.80", "LUFS", "0.30", "dBTP", "clean"]),
        (
            entry("S", "no-edit-needed", meter=None),
            ["S", "3:26.557", "not", "measured", "-", "no", "edit", "needed"],
        ),
    ],
)
def test_what_has_no_number_says_why(file: FileEntry, expected: list[str]) -> None:
    """Silence, a click of two samples, a format that is not measured."""
    assert next(line for line in rows(sheet([file])) if line.startswith("S ")).split() == expected


@given(st.integers(0, 2**40), st.sampled_from([8000, 44_100, 48_000, 96_000, 384_000]))
def test_lengths_are_rounded_half_up_in_whole_numbers(frames: int, rate_hz: int) -> None:
    """Against exact fractions."""
    minutes, seconds = length_text(frames, rate_hz).split(":")

    written = int(minutes) * 60 + Fraction(seconds)
    assert -Fraction(1, 2000) < written - Fraction(frames, rate_hz) <= Fraction(1, 2000)
    assert len(seconds) == len("00.000")
    assert Fraction(seconds) < 60


def test_a_replacement_is_spoken_of_first() -> None:
    """Which revision, what changed, what did not, and whether it still fits."""
    old = Replacement(
        2, "2024-01-05", changed=["Clean", "DJ Edit Clean"], unchanged=["Explicit"], added=["TV"]
    )
    lines = rows(sheet(replaces=old))

    assert lines[0] == "THIS PACKAGE REPLACES an earlier one: revision 2, recorded on 2024-01-05."
    assert lines[2:5] == [
        "Changed    Clean, DJ Edit Clean",
        "Unchanged  Explicit",
        "Added      TV",
    ]
    assert any("has the same length as before" in line for line in lines)
    assert lines.index("Example Artist - Example Song") > 5


def test_a_replacement_of_another_length_warns() -> None:
    """A cue point or an edit may not fit any more."""
    other = sheet(replaces=Replacement(2, "2024-01-05", changed=["Clean"], same_length=False))
    nothing = sheet(replaces=Replacement(2, "2024-01-05", unchanged=["Clean"]))

    assert "The length of what changed is different" in other
    assert "as before" not in other
    assert "Changed    nothing" in nothing
    assert "stop using" not in nothing


LINE_BREAKS = "\n\r\x0b\x0c\x1c\x1d\x1e\x85\u2028\u2029"


@given(
    st.lists(
        st.text(st.characters() | st.sampled_from(LINE_BREAKS + "\u202e\x1b"), max_size=40),
        min_size=8,
        max_size=8,
    )
)
def test_values_of_the_sheet_cannot_add_a_line(values: list[str]) -> None:
    """Whatever stands in a declared value, the sheet has the lines that it has for a plain one."""

    def written(
        artist: str, title: str, tempo: str, key: str, label: str, rating: str, gone: str, old: str
    ) -> str:
        hostile = entry(f"v{label}", rating, removed=(gone,))
        return sheet(
            [hostile.model_copy(update={"name": "WAV/a.wav"})],
            release=ReleaseFacts(artist=artist, title=title, tempo=tempo, key=key),
            replaces=Replacement(1, "2024-01-05", removed=[old]),
        )

    text = written(*values)

    assert text.count("\n") == text.count("\r\n") == text.count("\r")
    assert all(len(line.splitlines()) <= 1 for line in rows(text))
    assert not set(text) & set("\u202e\x1b\x00")
    # The list of an old package may wrap; nothing else can.
    wrapped = sum(line.startswith(" " * 11) for line in rows(text))
    assert len(rows(text)) - wrapped == len(rows(written(*["x"] * 8)))


def test_the_bytes_do_not_follow_locale_zone_or_hash_seed() -> None:
    """Two interpreters in different surroundings write the same sheet."""
    script = (
        "import hashlib\n"
        "from relkit.manifest import ReleaseFacts\n"
        "from relkit.pack.note import info_sheet\n"
        "facts = ReleaseFacts(artist='\u00c9', title='B')\n"
        "text = info_sheet(facts, [], revision=1, recorded_on='2024-01-01', fingerprint='f')\n"
        "print(hashlib.sha256(text).hexdigest())\n"
    )
    root = Path(__file__).parents[2]
    surroundings = [
        {"LC_ALL": "C", "TZ": "UTC", "PYTHONHASHSEED": "1"},
        {"LC_ALL": "de_DE.UTF-8", "TZ": "Pacific/Auckland", "PYTHONHASHSEED": "2"},
    ]
    found = {
        subprocess.run(
            [sys.executable, "-c", script], cwd=root, env=env, capture_output=True, check=True
        ).stdout
        for env in surroundings
    }
    assert len(found) == 1


def test_the_commands_of_the_sheet_work_as_printed(tmp_path: Path) -> None:
    """Copied out of the sheet and run by a shell, on a manifest that stock ssh-keygen signed."""
    key = generated_key(tmp_path)
    package = tmp_path / "package"
    (package / PROOF).mkdir(parents=True)
    (package / MANIFEST).write_bytes(b"{}")
    (package / PUBLIC_KEY).write_bytes(key.with_suffix(".pub").read_bytes())
    signed = ssh_keygen(
        "-Y", "sign", "-f", key, "-n", MANIFEST_NAMESPACE, package / MANIFEST, folder=tmp_path
    )
    assert signed.returncode == 0, signed.stderr
    assert (package / SIGNATURE).exists()
    printed = [line.strip() for line in rows(sheet()) if line.startswith("    ")]
    first = next(n for n, line in enumerate(printed) if line.startswith("echo"))
    (package / "a.wav").write_bytes(b"x")
    (package / SUMS).write_bytes(sha256sums([("a.wav", hashlib.sha256(b"x").hexdigest())]))
    sums = next(line.removeprefix("Linux").split() for line in printed if line.startswith("Linux"))
    script = "\n".join(printed[first : first + 4]).replace("/tmp/sender.txt", str(tmp_path / "sender.txt"))  # noqa: S108

    good = subprocess.run(["sh", "-ec", script], cwd=package, capture_output=True, text=True, check=False)
    (package / MANIFEST).write_bytes(b"{ }")
    bad = subprocess.run(["sh", "-ec", script], cwd=package, capture_output=True, text=True, check=False)

    assert subprocess.run(sums, cwd=package, capture_output=True, check=True).stdout == b"a.wav: OK\n"
    assert good.returncode == 0, good.stderr
    assert 'Good "manifest@relkit.example" signature for sender' in good.stdout
    assert bad.returncode != 0


def test_a_package_without_versions_or_numbers_still_has_its_sheet() -> None:
    """Only a cover; a version that is not audio that relkit knows; a rate of zero."""
    opaque = entry("Stems").model_copy(update={"sound": None})

    assert "Version  " not in sheet([COVER])
    row = next(line for line in rows(sheet([opaque])) if line.startswith("Stems"))
    assert row.split()[1:4] == ["-", "not", "measured"]
    assert length_text(5, 0) == "unknown"
