"""The note as text: every fact of the sheet, nothing claimed that was not measured, no way to break out."""

from __future__ import annotations

import datetime as dt
import hashlib
import subprocess
import sys
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from relkit.manifest import MANIFEST_NAMESPACE, PROOF
from relkit.pack.facts import SongFacts, Timers, VersionFile
from relkit.pack.layout import MANIFEST, PUBLIC_KEY, SIGNATURE, SUMS, sha256sums
from relkit.pack.names import one_line
from relkit.pack.note import Note, Place, Replacement, note_text
from relkit.pack.statements import embargo, rows
from tests.support.notes import (
    FINGERPRINT,
    HOSTILE,
    REPLACEMENT,
    SONG,
    both_formats,
    note_saying,
    seven_note,
    seven_versions,
    sound,
    version,
)
from tests.support.ssh_tools import generated_key, ssh_keygen


def lines_of(note: Note) -> list[str]:
    """Return the lines of a note."""
    return note_text(note).decode("utf-8").split("\r\n")


def flowing(note: Note) -> str:
    """Return a note with every run of blanks as one space."""
    return " ".join(note_text(note).decode("utf-8").split())


def note_of(*files: VersionFile, song: SongFacts = SONG, replaces: Replacement | None = None) -> Note:
    """Make a note of some files."""
    return Note(song, files, 3, "2024-07-26", FINGERPRINT, replaces)


PLAIN = SongFacts(artist="Example Artist", title="Example Song")


def test_a_recipient_finds_every_fact_of_the_song() -> None:
    """One by one, as the sheet has them."""
    text = flowing(seven_note())

    for fact in (
        "Ostrel Vane feat. Mira Quell - Lanterns on the Weir",
        "Tempo 122 BPM Key F# minor Meter 4/4 Use For promotional use only",
        "Pronunciation OSS-trel VAYN",
        "Language en",
        "Album Lanterns on the Weir - Single",
        "Genre House",
        "Release date 2024-08-09",
        "Last day of use 2024-12-31",
        "Contact promo@example.com",
        "Revision 3, recorded on 2024-07-26",
        "Composers Ostrel Vane, Ada Thorn Lyricist Mira Quell",
        "Producer Ostrel Vane Mix Jo Hale, Ida Sorn Mastering Kit Rowan",
        "Publisher Example Music Publishing Label Example Recordings Copyright 2024 Example Recordings",
        "GTIN 4006381333931",
        FINGERPRINT,
    ):
        assert fact in text


def test_a_version_is_one_row_whatever_it_was_written_as() -> None:
    """Length, loudness, true peak of the lossless file and the rating in columns; the rest below."""
    lines = lines_of(seven_note())
    at = next(n for n, line in enumerate(lines) if line.startswith("  Clean "))

    # 9 195 952 frames at 44 100 Hz are 208.5249... s.
    assert lines[at].split() == ["Clean", "3:28.525", "-9.84", "LUFS", "-1.40", "dBTP", "clean"]
    assert lines[at + 1 : at + 4] == [
        "      Files MP3, WAV   ISRC QZEX12400002   Talk-up 15.7 s   Ending cold",
        '      Last words "until the lanterns drown"   Removed swearing, sound-alikes',
        "      MP3 true peak -0.44 dBTP: 0.6 dB less for -1 dBTP",
    ]
    assert sum(line.startswith("  Clean ") for line in lines) == 1
    heading = next(line for line in lines if line.startswith("  Version"))
    assert lines[at].index("LUFS") + 4 == heading.index("Loudness") + len("Loudness")
    assert lines[at].index("dBTP") + 4 == heading.index("True peak") + len("True peak")


def test_it_is_a_text_that_opens_everywhere() -> None:
    """UTF-8 without a mark, CR LF, 78 columns."""
    data = note_text(seven_note(REPLACEMENT))

    assert not data.startswith(b"\xef\xbb\xbf")
    assert data.endswith(b"\r\n")
    assert data.count(b"\n") == data.count(b"\r\n") == data.count(b"\r")
    assert max(map(len, data.decode("utf-8").split("\r\n"))) <= 78
    assert not any(line.endswith(" ") for line in data.decode().split("\r\n"))


def test_what_is_not_declared_is_left_out_and_tempo_and_key_say_so() -> None:
    """A guess would be played."""
    text = flowing(note_of(*both_formats(version("main", "Main", "no-edit-needed")), song=PLAIN))

    assert "Tempo not declared Key not declared Meter 4/4 Revision" in text
    for absent in ("Credits", "EMBARGO", "None", "ISRC", "Talk-up", "Ending", "REPLACES", '"Clean"'):
        assert absent not in text
    assert "Version " not in flowing(note_of())


# --- numbers


@given(st.integers(1, 10**6), st.sampled_from([1, 2, 4, 5, 8, 10, 25, 1000]))
def test_a_tempo_keeps_all_its_decimals(numerator: int, denominator: int) -> None:
    """Against decimal arithmetic; a declared text that rounds has the exact number beside it."""
    song = replace(PLAIN, tempo_bpm=Fraction(numerator, denominator))
    exact = Decimal(numerator) / Decimal(denominator)

    alone = next(line for line in lines_of(note_of(song=song)) if line.startswith("  Tempo")).split()
    beside = flowing(note_of(song=replace(song, tempo_text="about 99 BPM")))

    assert Decimal(alone[1]) == exact
    assert alone[2] == "BPM"
    if exact != 99:
        assert f"Tempo about 99 BPM (exactly {alone[1]})" in beside


def test_a_tempo_without_end_stays_a_fraction() -> None:
    """A third is no decimal number."""
    assert "Tempo 370/3 BPM" in flowing(note_of(song=replace(PLAIN, tempo_bpm=Fraction(370, 3))))


@pytest.mark.parametrize(
    ("peak_dbtp", "said"),
    [
        # (peak - limit), rounded up to a tenth: by hand.
        (-1.00, None),
        (-0.99, "MP3 true peak -0.99 dBTP: 0.1 dB less for -1 dBTP"),
        (-0.90, "MP3 true peak -0.90 dBTP: 0.1 dB less for -1 dBTP"),
        (0.0, "MP3 true peak 0.00 dBTP: 1.0 dB less for -1 dBTP"),
        (0.01, "MP3 true peak 0.01 dBTP, above full scale: 0.1 dB less for 0 dBTP, 1.1 dB less for -1 dBTP"),
        (1.30, "MP3 true peak 1.30 dBTP, above full scale: 1.3 dB less for 0 dBTP, 2.3 dB less for -1 dBTP"),
        (
            10.0,
            "MP3 true peak 10.00 dBTP, above full scale: 10.0 dB less for 0 dBTP, 11.0 dB less for -1 dBTP",
        ),
        (None, None),
    ],
)
def test_an_mp3_that_goes_over_names_the_level_that_would_avoid_it(
    peak_dbtp: float | None, said: str | None
) -> None:
    """And nothing is said of one that does not."""
    text = flowing(note_of(*both_formats(version("main", "Main"), mp3_peak=peak_dbtp)))

    assert ("MP3 true peak" in text) is (said is not None)
    assert (said or "") in text
    assert ("nothing here was turned down" in text) is (said is not None)


@given(st.floats(0, 3600, allow_nan=False))
def test_a_talk_up_never_reaches_into_the_first_word(vocal_from_s: float) -> None:
    """Rounded down to a tenth of a second."""
    text = flowing(note_of(*both_formats(version("main", "Main"), vocal_from_s=vocal_from_s)))
    said = Decimal(text.split("Talk-up ")[1].split(" s")[0])

    tiny = Decimal("1e-9")  # a tenth is no binary fraction
    assert said - tiny <= Decimal(vocal_from_s) < said + Decimal("0.1") + tiny


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"integrated_loudness_lufs": None, "true_peak_dbtp": None}, "3:28.525 silent - explicit"),
        ({"integrated_loudness_lufs": None, "frames": 2}, "0:00.000 too short -1.40 dBTP explicit"),
        ({"meter": None}, "3:28.525 not measured - explicit"),
        ({"integrated_loudness_lufs": -0.001}, "3:28.525 0.00 LUFS -1.40 dBTP explicit"),
        ({"sample_rate_hz": 0}, "unknown -9.84 LUFS -1.40 dBTP explicit"),
    ],
)
def test_what_has_no_number_says_why(changes: dict[str, object], expected: str) -> None:
    """Silence, a click of two samples, a format that is not measured."""
    file = VersionFile("WAV/a.wav", version("main", "Main"), sound(9_195_952, -9.84, -1.4, **changes))

    assert f"Main {expected} Files" in flowing(note_of(file))
    assert "Main - not measured - explicit" in flowing(note_of(replace(file, sound=None)))


def test_files_of_a_version_that_are_no_renderings_of_each_other_get_no_numbers() -> None:
    """Stems: one row, how many files, and not the loudness of the first."""
    stems = [
        VersionFile(f"Stems/{name}.wav", version("stems", "Stems", None), sound(9_195_952, -20, -3))
        for name in ("drums", "bass", "vocal")
    ]
    text = flowing(note_of(*stems))

    assert "Stems - several files - not declared Files WAV (3 files)" in text
    assert rows(note_of(*stems))[0].length_s is None


# --- what is claimed


def test_an_embargo_has_its_zone_and_the_same_in_utc() -> None:
    """Against the zone arithmetic of the standard library."""
    until = dt.datetime(2024, 8, 2, 0, 1, tzinfo=dt.timezone(dt.timedelta(hours=-3, minutes=-30)))
    said = embargo(replace(PLAIN, embargo=until))
    in_utc = embargo(replace(PLAIN, embargo=until.astimezone(dt.UTC)))

    assert said == (
        "not to be played or published before Friday 2024-08-02, 00:01 UTC-03:30 (2024-08-02, 03:31 UTC)"
    )
    assert in_utc == "not to be played or published before Friday 2024-08-02, 03:31 UTC"
    assert any(line.startswith("EMBARGO   not to be played") for line in lines_of(seven_note())[:2])
    with pytest.raises(ValueError, match="zone"):
        embargo(replace(PLAIN, embargo=until.replace(tzinfo=None)))


def test_clean_is_said_to_be_a_claim_where_a_clean_version_is_in_the_package() -> None:
    """And only there."""
    claim = '"Clean" is the sender\'s own claim'

    assert claim in flowing(seven_note())
    assert claim not in flowing(note_of(*both_formats(version("explicit", "Clean"))))


def test_what_lines_up_with_what_is_said_of_what_is_there() -> None:
    """One MP3 lines up with nothing; MP3s of two rates start at two places."""
    files = [*both_formats(version("main", "Main")), *both_formats(version("dj", "DJ Edit"))]
    mp3s, wavs = files[::2], files[1::2]
    assert mp3s[1].sound is not None
    other_rate = replace(mp3s[1], sound=mp3s[1].sound.model_copy(update={"sample_rate_hz": 48_000}))

    assert "The MP3s share encoder, settings and delay" in flowing(note_of(*files))
    assert "MP3s of one sample rate share encoder" in flowing(note_of(mp3s[0], other_rate))
    assert "An MP3 lines up with its WAV in players that honour gapless data" in flowing(note_of(*files))
    assert "gapless" not in flowing(note_of(*mp3s))
    assert "share encoder" not in flowing(note_of(mp3s[0], wavs[0]))
    assert "MP3" not in flowing(note_of(*wavs))
    assert mp3s[0].sound is not None
    foreign = replace(mp3s[0], sound=mp3s[0].sound.model_copy(update={"meter": None}))
    assert "share encoder" not in flowing(note_of(foreign, mp3s[1]))


def test_a_conversion_is_named_with_the_versions_that_it_was_needed_for() -> None:
    """A recipient who compares sample for sample has to know."""
    wav = both_formats(version("main", "Main"))[1]
    other = both_formats(version("dj", "DJ Edit"))[1]
    made = replace(wav, made_by="96 kHz to 48 kHz, dithered to 24 bit")
    both = replace(other, made_by="96 kHz to 48 kHz, dithered to 24 bit")

    assert "Converted WAV of Main: 96 kHz to 48 kHz, dithered to 24 bit" in flowing(note_of(made, other))
    assert "Converted WAV: 96 kHz to 48 kHz, dithered to 24 bit" in flowing(note_of(made, both))
    assert "WAV 24-bit, 44.1 kHz, stereo" in flowing(note_of(wav))
    assert "Converted" not in flowing(note_of(wav, other))


def test_a_replacement_is_spoken_of_first() -> None:
    """Which revision, what changed and where, what did not."""
    lines = lines_of(seven_note(REPLACEMENT))

    assert lines[0] == "THIS PACKAGE REPLACES an earlier one: revision 2, recorded on 2024-07-19."
    assert lines[2:6] == [
        "  Changed          Clean: 1:23.380 to 1:23.910, bar 43",
        "                   Acapella Clean",
        "                   DJ Edit Clean: 1:39.120 to 1:39.650, bar 51",
        "  Unchanged        Explicit, Instrumental, Acapella, DJ Edit",
    ]
    assert lines.index("Ostrel Vane feat. Mira Quell - Lanterns on the Weir") > 5


STILL_VALID = "cue points stay valid"
NOT_MEASURED = "Whether it starts at the same place was not measured"
NOT_COMPARED = "as long as before was not compared"
OTHER_LENGTH = "The length of what changed is different"
OTHER_START = "does not start at the same place"


@pytest.mark.parametrize(
    ("same_length", "same_start", "said"),
    [
        (True, True, {STILL_VALID}),
        (True, None, {NOT_MEASURED}),
        (True, False, {OTHER_START}),
        (False, True, {OTHER_LENGTH}),
        (False, None, {OTHER_LENGTH}),
        (False, False, {OTHER_LENGTH, OTHER_START}),
        (None, True, {NOT_COMPARED}),
        (None, None, {NOT_COMPARED}),
        (None, False, {NOT_COMPARED, OTHER_START}),
    ],
)
def test_cue_points_hold_only_where_length_and_start_were_measured(
    same_length: bool | None, same_start: bool | None, said: set[str]
) -> None:
    """Every other case says what is not known, or what to do."""
    old = Replacement(2, "2024-07-19", changed=["Clean"], same_length=same_length, same_start=same_start)
    text = flowing(note_of(song=PLAIN, replaces=old))

    every = {STILL_VALID, NOT_MEASURED, NOT_COMPARED, OTHER_LENGTH, OTHER_START}
    assert {sentence for sentence in every if sentence in text} == said


def test_where_nothing_changed_nothing_is_advised() -> None:
    """An unchanged file may go on being used."""
    text = flowing(note_of(song=PLAIN, replaces=Replacement(2, "2024-07-19", unchanged=["Clean"])))

    assert "Changed nothing Unchanged Clean" in text
    assert "stop using" not in text
    assert "cue point" not in text


# --- what people typed


def flush_left(note: Note) -> list[str]:
    """Return what begins at the margin, but for the headline and the end of a replacement's line."""
    paragraphs = [lines.split("\r\n") for lines in note_text(note).decode("utf-8").split("\r\n\r\n")]
    headlines = [lines for lines in paragraphs if set(lines[-1]) == {"="}]
    assert len(headlines) == 1
    assert all(line.startswith("    ") for line in headlines[0][1:-1])
    first = "THIS PACKAGE REPLACES"
    return [
        first if line.startswith(first) else line
        for lines in paragraphs
        if lines is not headlines[0]
        for line in lines
        if line[:1].strip()
    ]


@pytest.mark.parametrize("text", HOSTILE)
def test_what_people_typed_is_text_and_no_structure(text: str) -> None:
    """No line, heading, column, control character or direction of its own; and it is all there."""
    note = note_saying(text)
    whole = note_text(note).decode("utf-8")
    shown = one_line(text)

    assert all(char.isprintable() or char in "\r\n\u200c\u200d" for char in whole)
    assert flush_left(note) == flush_left(note_saying("x" if shown else ""))
    assert shown in " ".join(whole.split())


@given(
    st.text(
        st.characters() | st.sampled_from("\n\r\x0b\x0c\x1c\x1e\x85\u2028\u2029\u202e\x1b -="), max_size=60
    )
)
def test_no_text_at_all_begins_a_line(text: str) -> None:
    """Whatever stands in the sheet, the lines at the margin are those of a plain one."""
    note = note_saying(text)
    whole = note_text(note).decode("utf-8")

    assert whole.count("\n") == whole.count("\r\n") == whole.count("\r")
    assert all(len(line.splitlines()) <= 1 for line in whole.split("\r\n"))
    assert set(flush_left(note)) <= set(flush_left(note_saying("x")))


def test_a_label_that_is_long_or_runs_right_to_left_leaves_its_numbers_in_their_columns() -> None:
    """It has a line of its own, and a plain line of numbers follows."""
    for label in (
        "\u05e2\u05d1\u05e8\u05d9\u05ea",
        "\u0639\u0631\u0628\u064a",
        "A Label Of More Than Twenty Letters",
    ):
        lines = lines_of(note_of(*both_formats(version("main", label))))
        at = lines.index(f"  {label}")
        assert lines[at + 1].split() == ["3:28.525", "-9.84", "LUFS", "-1.40", "dBTP", "explicit"]
        assert lines[at + 1].index("LUFS") == lines[at - 2].index("Loudness") + len("Loudness") - 4


def test_a_long_place_and_an_address_stay_whole() -> None:
    """A word is never cut: an address has to be copied."""
    address = f"promo+{'x' * 100}@example.com"
    old = Replacement(2, "2024-07-19", changed=["Clean"], places={"Clean": [Place(61.0005, 3601, "")]})
    text = flowing(note_of(song=replace(PLAIN, contact=address), replaces=old))

    assert address in text
    assert "Clean: 1:01.000 to 60:01.000" in text


# --- bytes and commands


def test_the_bytes_do_not_follow_locale_zone_or_hash_seed() -> None:
    """Interpreters in different surroundings write the same text and the same page."""
    script = (
        "import hashlib\n"
        "from relkit.pack.note import note_text\n"
        "from relkit.pack.page import note_page\n"
        "from tests.support.notes import REPLACEMENT, seven_note\n"
        "note = seven_note(REPLACEMENT)\n"
        "print(hashlib.sha256(note_text(note) + note_page(note, b'x')).hexdigest())\n"
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


def test_the_commands_work_as_printed(tmp_path: Path) -> None:
    """Copied out of the note and run by a shell, on a manifest that stock ssh-keygen signed."""
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
    printed = [line[4:] for line in lines_of(seven_note()) if line.startswith("    ")]
    (package / "a.wav").write_bytes(b"x")
    (package / SUMS).write_bytes(sha256sums([("a.wav", hashlib.sha256(b"x").hexdigest())]))
    sums = next(line.removeprefix("Linux").split() for line in printed if line.startswith("Linux"))
    first = next(n for n, line in enumerate(printed) if line.startswith("echo"))
    last = next(n for n, line in enumerate(printed) if line.startswith("ssh-keygen -l"))
    script = "\n".join(printed[first : last + 1]).replace("/tmp/sender.txt", str(tmp_path / "sender.txt"))  # noqa: S108

    good = subprocess.run(["sh", "-ec", script], cwd=package, capture_output=True, text=True, check=False)
    (package / MANIFEST).write_bytes(b"{ }")
    bad = subprocess.run(["sh", "-ec", script], cwd=package, capture_output=True, text=True, check=False)

    assert subprocess.run(sums, cwd=package, capture_output=True, check=True).stdout == b"a.wav: OK\n"
    assert good.returncode == 0, good.stderr
    assert 'Good "manifest@relkit.example" signature for sender' in good.stdout
    assert "SHA256:" in good.stdout
    assert bad.returncode != 0


def test_timers_come_from_the_file_that_the_numbers_come_from() -> None:
    """An MP3 listed first does not decide."""
    mp3, wav = seven_versions()[:2]
    other = replace(mp3, timers=Timers(vocal_from_s=1.0))

    assert "Talk-up 15.7 s" in flowing(note_of(other, wav))
    assert "Talk-up 1.0 s" in flowing(note_of(other))
