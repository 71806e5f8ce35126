"""What a package says of the one that it takes the place of: what changed, and whether cue points hold.

Every bounce here is made so that the answer is known.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from relkit import Release
from relkit.release import compared
from relkit.release.home import Home
from tests.support.packages import SHEET, Floats, noise, note_of, started, version_lines, wav_of
from tests.support.releases import written

RATE_HZ = 44_100
SECONDS = 24
VALID = "starts at the same place: cue points stay valid"
NOT_ASKED = "noise is no song: quality is not what is tested here"
UNTOLD = "Whether it starts at the same place was not measured"
ELSEWHERE = "does not start at the same place as before"


def song(seed: int = 1) -> Floats:
    """Return a song with a silent second in it."""
    samples = noise(seed, SECONDS * RATE_HZ, 2, RATE_HZ)
    samples[5 * RATE_HZ : 6 * RATE_HZ] = 0
    return samples


def bounce(samples: Floats, dither: int | None = None) -> bytes:
    """Return a 24-bit WAV, with dither from a seed."""
    if dither is not None:
        rng = np.random.default_rng(dither)
        samples = samples + rng.triangular(-1, 0, 1, samples.shape) / 2**15
    return wav_of(samples, "int24", RATE_HZ)


@pytest.fixture(scope="module")
def sent(tmp_path_factory: pytest.TempPathFactory, signing_home: Path) -> Path:
    """A song and a DJ edit, sent; and the user's folder beside them."""
    folder = tmp_path_factory.mktemp("sent")
    home = Home(Path(shutil.copytree(signing_home, folder / "home")))
    sheet = SHEET + version_lines("main") + version_lines("dj", 'form = "dj-edit"')
    bounces = {"main": bounce(song(1)), "dj": bounce(song(2))}
    with started(folder / "two", home, sheet, bounces) as release:
        release.ship("Ixby Marrowlet", kind="club-dj", formats=["wav"], despite=NOT_ASKED)
    return folder


@pytest.fixture
def two(sent: Path, tmp_path: Path) -> Iterator[Release]:
    """A copy of it for one test."""
    here = Path(shutil.copytree(sent, tmp_path / "sent"))
    with Release.open(here / "two", home=Home(here / "home")) as release:
        yield release


def told_after(
    release: Release, data: bytes, version: str = "main", formats: Sequence[str] = ("wav",)
) -> str:
    """Commit another bounce, ship, and return what the note says before the song's name."""
    written(release.folder / "bounces" / f"{version}.wav", data)
    release.commit()
    report = release.ship("Ixby Marrowlet", formats=formats, despite=NOT_ASKED)
    return note_of(report).split("Ostrel Vane")[0]


def edited(samples: Floats, start_s: float, length_s: float) -> Floats:
    """Return a copy with silence in it."""
    copy = samples.copy()
    copy[round(start_s * RATE_HZ) : round((start_s + length_s) * RATE_HZ)] = 0
    return copy


def test_an_edit_is_told_with_its_time_and_bars(two: Release) -> None:
    """To the millisecond, in bars of 122 BPM; what did not change is said, too."""
    said = told_after(two, bounce(edited(song(1), 12.5, 0.5)))
    # Bar 7 begins at 6 * 4 * 60 / 122 = 11.803 s, bar 8 at 13.770 s.
    assert "Changed Main: 0:12.500 to 0:13.000, bar 7 Unchanged" in said
    assert VALID in said
    assert said.startswith("THIS PACKAGE REPLACES an earlier one: revision 1")
    assert "Unchanged versions are made from the same audio as before, sample for sample." in said


def test_several_edits_and_one_across_a_bar(two: Release) -> None:
    """In the order of the song; edits that nearly touch are one."""
    samples = edited(edited(edited(song(1), 2.0, 0.25), 2.4, 0.1), 13.5, 0.5)
    said = told_after(two, bounce(samples))
    assert "0:02.000 to 0:02.500, bar 2; 0:13.500 to 0:14.000, bars 7 to 8" in said


def test_bars_of_a_dj_edit_are_not_claimed(two: Release) -> None:
    """Its intro moves them, by how much nobody said."""
    said = told_after(two, bounce(edited(song(2), 12.5, 0.5)), "dj")
    assert "Changed DJ Edit: 0:12.500 to 0:13.000 Unchanged Main" in said


def test_another_tail_leaves_the_start(two: Release) -> None:
    """Longer than before: that is said, and what is new behind the old end."""
    longer = np.concatenate([song(1), noise(9, 2 * RATE_HZ, 2, RATE_HZ)])
    said = told_after(two, bounce(longer))
    assert "0:24.000 to 0:26.000" in said
    assert "The length of what changed is different" in said
    assert ELSEWHERE not in said


def later(samples: Floats, frames: int) -> Floats:
    """Return a copy that starts later, and is as long."""
    return np.concatenate([np.zeros((frames, 2)), samples])[: len(samples)]


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (lambda: bounce(later(song(1), 4_410)), ELSEWHERE),
        (lambda: bounce(later(song(1), 1)), ELSEWHERE),
        (lambda: bounce(song(1), dither=5), VALID),
        (lambda: bounce(song(1) * 0.7), VALID),
        (lambda: bounce(later(song(1), 441), dither=6), ELSEWHERE),
        (lambda: bounce(later(song(1), 1), dither=7), ELSEWHERE),
        (lambda: bounce(song(33)), UNTOLD),
        (lambda: wav_of(song(1), "int16", RATE_HZ), VALID),
    ],
    ids=["moved", "moved by a sample", "fresh dither", "another level", "moved and dithered",
         "moved by a sample and dithered", "another recording", "another depth"],
)  # fmt: skip
def test_the_start_is_measured(two: Release, made: Callable[[], bytes], says: str) -> None:
    """By equal audio at equal places where there is any, and else by lining both up."""
    said = told_after(two, made())
    assert says in said
    assert "0:" not in said, "no places where all is new"


def test_part_moved_is_not_claimed_to_be_anything(two: Release) -> None:
    """A bar taken out and another put in: the start holds, and what follows does not. So nothing is said."""
    samples = song(1)
    moved = np.concatenate(
        [samples[: 8 * RATE_HZ], samples[10 * RATE_HZ :], noise(4, 2 * RATE_HZ, 2, RATE_HZ)]
    )
    assert UNTOLD in told_after(two, bounce(moved))


def test_another_rate_and_format_are_not_compared(two: Release) -> None:
    """Neither length nor start, where rounding could hide a sample; an MP3 now is no change of the song."""
    samples = noise(1, SECONDS * 48_000, 2, 48_000)
    said = told_after(two, wav_of(samples[:-1], "int24", 48_000), formats=["mp3"])
    assert "Changed Main Unchanged DJ Edit" in said
    assert "Whether what changed is as long as before was not compared" in said


def test_another_length_of_another_rate(two: Release) -> None:
    """A second less at another rate is shorter, however it is rounded."""
    said = told_after(two, wav_of(noise(1, (SECONDS - 1) * 48_000, 2, 48_000), "int24", 48_000))
    assert "The length of what changed is different" in said


def test_what_was_compared_is_found_again(two: Release, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same with the cache and without it; with it nothing is read again."""
    written(two.folder / "bounces" / "main.wav", bounce(edited(song(1), 12.5, 0.5)))
    two.commit()
    first = two.ship("Ixby Marrowlet", formats=["wav"], despite=NOT_ASKED)
    two.close()
    (two.folder / ".relkit" / "cache.sqlite").unlink()
    with Release.open(two.folder, home=Home(two.folder.parent / "home")) as again:
        second = again.ship("Ixby Marrowlet", formats=["wav"], note="once more", despite=NOT_ASKED)
        assert second.digest == first.digest

        def fail(*_: object) -> npt.NDArray[np.float64]:
            raise AssertionError("compared again")

        monkeypatch.setattr(compared, "_start_and_places", fail)
        third = again.ship("Ixby Marrowlet", formats=["wav"], note="again", despite=NOT_ASKED)
        assert third.digest == first.digest
