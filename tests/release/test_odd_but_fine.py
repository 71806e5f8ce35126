"""Names and files that look strange and have to work."""

from __future__ import annotations

import io
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
from PIL import Image

from relkit import Release
from relkit.errors import UsageError
from relkit.filenames import fault_of_path
from relkit.release.api import verify
from relkit.release.home import Home
from relkit.release.recipients import AmbiguousRecipientError, UnknownRecipientError
from tests.support.audio_bytes import id3_frame, id3_tag, mpeg_frames
from tests.support.releases import (
    aiff,
    contents,
    music,
    muted,
    state,
    wav,
    wav_float32,
    wav_float64,
    wav_rf64,
    written,
)

RECIPIENTS = [
    "con.lock",
    "🎧",
    "מועדון הלילה",
    "\u202ename gnilaever\u202c",
    "[bold]x[/]",
    "\x1b[2J\x1b]0;title\x07",
    "x" * 300,
    "../../x",
    "-",
    "a\nb",
    ".",
    "HEAD",
]


@pytest.mark.parametrize("name", RECIPIENTS)
def test_recipients(committed: Release, tmp_path: Path, name: str) -> None:
    """Shipped into the release's own folder, found again by name, and by the id's beginning."""
    sent = committed.ship(name, kind="club-dj", form="zip")
    assert sent.record.recipient.name == name.strip()
    inside = sent.path.relative_to(committed.folder).as_posix()
    assert inside.startswith("packages/")
    assert fault_of_path(inside) is None
    for number, asked in enumerate((name, sent.record.recipient.id[:6])):
        made = committed.checkout_sent(asked, tmp_path / str(number))
        assert made.path.read_bytes() == sent.path.read_bytes()
    assert committed.audit().findings == []
    assert committed.ship(name).record.recipient == sent.record.recipient


def test_a_recipient_needs_a_name_that_can_be_written(committed: Release) -> None:
    """Neither blanks nor a lone surrogate."""
    before = state(committed.folder)
    for name in ("", "  ", "DJ \udcff"):
        with pytest.raises(UsageError):
            committed.ship(name, kind="club-dj")
    assert state(committed.folder) == before


def test_two_of_one_name(committed: Release, tmp_path: Path) -> None:
    """--another adds the second; from then on the name alone asks back, with both ids."""
    first = committed.ship("Ixby Marrowlet", kind="club-dj").record
    second = committed.ship("Ixby Marrowlet", kind="remixer", another=True).record
    assert first.recipient.id != second.recipient.id
    for ask in (
        lambda: committed.ship("ixby marrowlet"),
        lambda: committed.checkout_sent("Ixby Marrowlet", tmp_path / "out"),
    ):
        with pytest.raises(AmbiguousRecipientError) as caught:
            ask()
        for record in (first, second):
            assert record.recipient.id[:8] in str(caught.value)
            assert str(record.recipient.kind) in str(caught.value)
        assert {each.id for each in caught.value.candidates} == {first.recipient.id, second.recipient.id}
    made = committed.checkout_sent(second.recipient.id[:8], tmp_path / "out")
    assert made.record.id == second.id


def test_of_two_only_one_received_anything_here(committed: Release, home: Home, tmp_path: Path) -> None:
    """Somebody else of that name, who got another release, is not in question."""
    sent = committed.ship("Ixby Marrowlet", kind="club-dj").record
    with Release.new(tmp_path / "other", artist="Ostrel Vane", title="Ferry", home=home) as other:
        other.commit([written(tmp_path / "Ferry main.wav", wav(music(20)))])
        other.ship("Ixby Marrowlet", kind="remixer", another=True)
        assert committed.checkout_sent("Ixby Marrowlet", tmp_path / "out").record.id == sent.id


def test_an_unknown_name_offers_the_nearest(committed: Release, tmp_path: Path) -> None:
    """A slip of the pen, and nobody near."""
    committed.ship("Ixby Marrowlet", kind="club-dj")
    for ask in (
        lambda: committed.ship("Ixby Marowlet"),
        lambda: committed.checkout_sent("Ixby Marowlet", tmp_path / "out"),
    ):
        with pytest.raises(UnknownRecipientError, match="Did you mean Ixby Marrowlet"):
            ask()
    with pytest.raises(UnknownRecipientError) as caught:
        committed.ship("Zzz")
    assert "Did you mean" not in str(caught.value)


@pytest.mark.parametrize(
    ("artist", "title"),
    [
        ("AC/DB", 'Say "No" / Never'),
        ("Line\nBreak", "Tab\tand \\u0041 \\n"),
        ("夜の灯籠", "堰の上で"),
        ("فرقة الجسر", "قناديل"),
        ("..", "."),
        ("CON", "nul"),
        ("A" * 300, "B" * 300),
        ("[bold]x[/]", "\x1b[31mred"),
        ("'''", '"""'),
    ],
)
def test_artists_and_titles(home: Home, tmp_path: Path, artist: str, title: str) -> None:
    """The sheet holds them as they are; the package's names are safe and prove themselves."""
    with Release.new(tmp_path / "odd", artist=artist, title=title, home=home) as release:
        report = release.commit([written(tmp_path / "clean.wav", wav(music(21)))])
        assert (report.manifest.release.artist, report.manifest.release.title) == (artist, title)
        for form in ("folder", "zip"):
            sent = release.ship("Ixby Marrowlet", kind="club-dj", form=form, folder=tmp_path / form)
            assert sent.path.parent == tmp_path / form
            verify(sent.path, home=home)
        for name in contents(tmp_path / "folder"):
            assert fault_of_path(name) is None


def assert_same_samples(first: Path, second: Path) -> None:
    """Compare two files as libsndfile reads them: rate, channels, depth and every sample."""
    a, b = soundfile.SoundFile(first), soundfile.SoundFile(second)
    assert (a.samplerate, a.channels, a.subtype) == (b.samplerate, b.channels, b.subtype)
    assert np.array_equal(a.read(dtype="float64"), b.read(dtype="float64"))


CONTAINERS = {
    "clean.aiff": aiff(music(22)),
    "clean.aif": aiff(music(22)),
    "clean.mp3": id3_tag(id3_frame(b"TIT2", b"\0Lanterns")) + mpeg_frames(40),
    "clean float.wav": wav_float32(music(22)),
    "clean rf64.wav": wav_rf64(music(22)),
    "clean double.wav": wav_float64(music(22)),
    "CLEAN.WAV": wav(music(22)),
}


@pytest.mark.parametrize("name", CONTAINERS)
def test_every_container_goes_all_the_way(release: Release, tmp_path: Path, name: str) -> None:
    """Committed, shipped and checked out: the same bytes; measured where it is PCM of up to 32 bits."""
    data = CONTAINERS[name]
    report = release.commit([written(tmp_path / name, data)])
    (entry,) = [entry for entry in report.manifest.files if entry.version]
    assert entry.sound is not None
    measured = "double" not in name and "mp3" not in name
    assert (entry.sound.meter is not None) == measured
    assert (entry.sound.true_peak_dbtp is not None) == measured
    assert release.commit().changed is False
    sent = release.ship("Pellucine Docket", kind="remixer")
    (shipped,) = sent.path.rglob("*(Clean).*")
    if measured:  # in a wrapping of our own, sample for sample as libsndfile reads it
        assert_same_samples(shipped, tmp_path / name)
    else:
        assert shipped.read_bytes() == data
    suffix = {".aif": ".aiff"}.get(Path(name).suffix.lower(), Path(name).suffix.lower())
    assert shipped.suffix == suffix
    assert contents(release.checkout_sent("Pellucine Docket", tmp_path / "out").path) == contents(sent.path)
    release.checkout("1", tmp_path / "revision")
    assert (tmp_path / "revision" / entry.name).read_bytes() == data
    assert release.audit().findings == []


def test_stems(release: Release, tmp_path: Path) -> None:
    """A folder of files, one version; a further one is handed over; its name must be usable anywhere."""
    sheet = release.folder / "release.toml"
    text = sheet.read_text("utf-8").replace(
        "[names]", '[versions.stems]\nfolder = "bounces/stems"\nparts = "stems"\nrating = "clean"\n\n[names]'
    )
    sheet.write_text(text, "utf-8")
    for number, name in enumerate(("kick", "bass/sub", "bass/growl")):
        written(release.folder / f"bounces/stems/{name}.wav", wav(music(30 + number, 0.5)))
    written(release.folder / "bounces/stems/.DS_Store", b"x")
    report = release.commit()
    names = {entry.name for entry in report.manifest.files if entry.version}
    assert names == {f"bounces/stems/{name}.wav" for name in ("kick", "bass/sub", "bass/growl")}
    assert report.strangers == []
    release.commit([written(tmp_path / "pads.wav", wav(music(40, 0.5)))], version="stems")
    assert (release.folder / "bounces/stems/pads.wav").exists()
    before = state(release.folder)
    with pytest.raises(Exception, match="pads: wide") as caught:
        release.commit([written(tmp_path / "pads: wide.wav", wav(music(41, 0.5)))], version="stems")
    assert getattr(caught.value, "exit_code", None) == 3
    assert state(release.folder) == before
    sent = release.ship("Pellucine Docket", kind="remixer")
    assert len(list(sent.path.rglob("*.wav"))) == 4


def test_two_containers_of_one_version(committed: Release, tmp_path: Path) -> None:
    """A WAV and an MP3 of the clean edit cannot both be the clean bounce: neither is taken."""
    both = [
        written(tmp_path / "Lanterns clean.wav", wav(music(50))),
        written(tmp_path / "Lanterns clean.mp3", mpeg_frames(40)),
    ]
    before = state(committed.folder)
    with pytest.raises(UsageError, match="are both clean"):
        committed.commit(both)
    assert state(committed.folder) == before


def test_custom_versions(committed: Release, tmp_path: Path) -> None:
    """One whose id says what it is comes into the sheet by itself; any other has to be declared."""
    report = committed.commit([written(tmp_path / "x.wav", wav(music(51)))], version="tv")
    tv = next(entry.version for entry in report.manifest.files if entry.version and entry.version.id == "tv")
    assert (tv.parts, tv.form, tv.rating) == ("tv", "song", None)
    before = state(committed.folder)
    for slip, meant in (("claen", "clean"), ("inst", "instrumental")):
        with pytest.raises(UsageError, match=f"no version {slip}") as caught:
            committed.commit([written(tmp_path / "x.wav", wav(music(52)))], version=slip)
        assert f"Did you mean {meant}" in caught.value.hint
    with pytest.raises(UsageError, match="Not A Slug"):
        committed.commit([written(tmp_path / "x.wav", wav(music(52)))], version="Not A Slug")
    assert state(committed.folder) == before
    sheet = committed.folder / "release.toml"
    sheet.write_text(
        sheet.read_text("utf-8").replace(
            "[names]", '[versions.dub]\nlabel = "Dub"\nparts = "full"\nform = "other"\n\n[names]'
        ),
        "utf-8",
    )
    made = committed.commit([written(tmp_path / "Lanterns Dub.wav", wav(music(52)))])
    assert [taken.version_id for taken in made.taken] == ["dub"]
    sent = committed.ship("Ixby Marrowlet", kind="club-dj", only=["dub", "tv"])
    assert sorted(path.name for path in sent.path.rglob("*.mp3")) == [
        "Ostrel Vane - Lanterns on the Weir (Dub).mp3",
        "Ostrel Vane - Lanterns on the Weir (TV).mp3",
    ]


def test_radio_edit_is_asked_once(committed: Release, tmp_path: Path) -> None:
    """The answer is remembered, also where it names a version that the sheet did not have."""
    source = written(tmp_path / "Lanterns radio edit.wav", wav(muted(music(1), 0.2, 0.1)))
    before = state(committed.folder)
    with pytest.raises(UsageError, match="clean, shortened, or both") as caught:
        committed.commit([source])
    assert "--as clean or --as short or --as short-clean" in caught.value.hint
    assert state(committed.folder) == before
    told = committed.commit([source], version="short-clean")
    assert told.taken[0].version_id == "short-clean"
    written(source, wav(muted(music(1), 0.2, 0.2)))
    remembered = committed.commit([source])
    assert remembered.taken[0].version_id == "short-clean"
    assert "remembered" in remembered.taken[0].because


def test_only_artist_and_title(home: Home, tmp_path: Path) -> None:
    """Nothing else declared: the package says so, and its folder's name has no empty brackets."""
    with Release.new(tmp_path / "bare", artist="Ostrel Vane", title="Ferry", home=home) as release:
        release.commit([written(tmp_path / "Ferry dirty.wav", wav(music(60)))])
        sent = release.ship("Ixby Marrowlet", kind="club-dj")
    assert sent.path.name == "Ostrel Vane - Ferry"
    text = (sent.path / "Ostrel Vane - Ferry (Info).txt").read_text("utf-8")
    assert re.search("Tempo +not declared", text)
    assert not list(sent.path.glob("*.jpg"))


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_cover(release: Release, bounces: list[Path], tmp_path: Path, kind: str) -> None:
    """PNG or JPEG becomes one JPEG, the same one in every later package."""
    picture = io.BytesIO()
    Image.linear_gradient("L").convert("RGB").save(picture, kind)
    place = "artwork/cover.png" if kind == "PNG" else "artwork/front.jpg"
    sheet = release.folder / "release.toml"
    sheet.write_text(sheet.read_text("utf-8").replace("artwork/cover.png", place), "utf-8")
    written(release.folder / place, picture.getvalue())
    release.commit(bounces)
    covers = set()
    for number in range(2):
        sent = release.ship("Ixby Marrowlet", kind="club-dj", folder=tmp_path / str(number))
        cover = (sent.path / "Ostrel Vane - Lanterns on the Weir (Cover).jpg").read_bytes()
        assert Image.open(io.BytesIO(cover)).format == "JPEG"
        covers.add(cover)
        release.close()
        (release.folder / ".relkit/cache.sqlite").unlink()
    assert len(covers) == 1


def test_a_broken_cover(committed: Release, home: Home) -> None:
    """It is kept like any file, but nobody can be sent it; nothing is recorded, nobody is added."""
    written(committed.folder / "artwork/cover.png", b"\x89PNG\r\n\x1a\nnothing behind it")
    committed.commit()
    before = state(committed.folder)
    for despite, code in ((None, 1), ("the cover is for later", 3)):  # quality stops it, and then the cover
        with pytest.raises(Exception, match="artwork cannot be used") as caught:
            committed.ship("Ixby Marrowlet", kind="club-dj", despite=despite)
        assert getattr(caught.value, "exit_code", None) == code
    assert state(committed.folder) == before
    assert not (home.folder / "recipients.json").exists()
