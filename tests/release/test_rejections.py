"""A rejected place: where it lies in every version, and what may go out because of it.

The song is a voice over music, each noise of its own, so that what is the same
and what is not is known from how the bounces were made.

Conventions
    takes    float64, shape (frames, 2), 44.1 kHz, 6 s; DJ edits have 2 s before and after
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from relkit import Release
from relkit.errors import UsageError
from relkit.release.days import BadDayError
from relkit.release.gates import ClosedGateError
from relkit.release.places import BadPlaceInSongError
from relkit.release.rejections import NothingToAnswerError
from tests.support.releases import RATE_HZ, Samples, music, muted, recorded, wav, written

SECONDS, BEFORE_S = 6.0, 2.0
MUSIC, VOICE = music(1, SECONDS), music(2, SECONDS) * 0.5
WORD_S = 3.0  # where the word is that a station does not like; it lasts 0.4 s
DJ_PART = music(3, BEFORE_S)
CLICK = 4.5


@pytest.fixture(autouse=True)
def _no_quality_control(monkeypatch: pytest.MonkeyPatch) -> None:
    """Noise is no music, and rules about packs are tested where they are (``tests/qc``)."""
    monkeypatch.setattr("relkit.release.quality.check", lambda *_: None)
    monkeypatch.setattr("relkit.release.quality.stops", lambda *_: [])


def dj_edit(song: Samples) -> Samples:
    """Return a song with something before and after it."""
    return np.concatenate([DJ_PART, song, DJ_PART])


def takes(clean: Samples, beat: Samples = MUSIC) -> dict[str, Samples]:
    """Return all versions of a song."""
    return {
        "explicit": beat + VOICE,
        "clean": beat + clean,
        "inst": beat,
        "acapella clean": clean,
        "dj clean": dj_edit(beat + clean),
    }


def put(release: Release, folder: Path, sounds: dict[str, Samples], **said: object) -> int:
    """Commit bounces, and return the number of the revision."""
    files = [written(folder / f"Lanterns {name}.wav", wav(sound * 0.5)) for name, sound in sounds.items()]
    return release.commit(files, **said).manifest.revision  # type: ignore[arg-type]


@pytest.fixture
def rejected(release: Release, tmp_path: Path) -> Release:
    """A station rejected the clean version for a word at 3 s, in a pack of five versions."""
    put(release, tmp_path / "1", takes(muted(VOICE, 1.0, 0.4)))
    release.ship("Radio Tarnquell", kind="radio-programme", formats=["wav-native"])
    release.reply("Radio Tarnquell", "rejected", version="clean", at=["0:03.2"], text="a word is still heard")
    return release


MENDED = muted(muted(VOICE, 1.0, 0.4), WORD_S, 0.4)
Ship = Callable[..., object]


def test_the_place_in_every_version(rejected: Release) -> None:
    """The same time in the length group; in the DJ edit 2 s later, to the millisecond."""
    report = rejected.reply(
        "Radio Tarnquell", "rejected", version="clean", at=["0:03.2-0:03.4", "bar 2"], text="again"
    )
    assert report.record.number == 2
    places = {(each.version, each.start_ms, each.end_ms) for each in report.passages}
    bar_ms = 4 * 60_000 / 122  # the sheet says 122 BPM in 4/4
    expected = set()
    for version in ("explicit", "clean", "instrumental", "acapella-clean", "dj-clean"):
        later = 2_000 if version == "dj-clean" else 0
        expected.add((version, 3_200 + later, 3_400 + later))
        expected.add((version, round(bar_ms) + later, round(2 * bar_ms) + later))
    assert places == expected
    assert {each.bars for each in report.passages} == {"bar 2.1", "bar 2.3"}


def test_a_place_told_of_the_dj_edit(release: Release, tmp_path: Path) -> None:
    """It lies earlier in the song; what is told of the added bars is in no song."""
    put(release, tmp_path / "1", takes(VOICE))
    release.ship("Ixby Marrowlet", kind="club-dj", formats=["wav-native"])
    report = release.reply(
        "Ixby Marrowlet", "rejected", version="dj-clean", at=["0:05.2", "0:00.5"], text="a click"
    )
    found = {(each.version, each.start_ms) for each in report.passages}
    assert {("dj-clean", 5_200), ("clean", 3_200), ("dj-clean", 500)} <= found
    assert not {version for version, start_ms in found if start_ms == 500} - {"dj-clean"}


def test_unchanged_it_goes_to_them_only_with_a_reason(rejected: Release) -> None:
    """And with one, the record says past what it went."""
    before = recorded(rejected.folder)
    with pytest.raises(ClosedGateError, match=r"clean sounds the same at 0:03.200: rejection 1") as caught:
        rejected.ship("Radio Tarnquell", formats=["wav-native"])
    assert caught.value.exit_code == 1
    assert recorded(rejected.folder) == before
    sent = rejected.ship(
        "Radio Tarnquell", formats=["wav-native"], despite="they asked for it as it is"
    ).record
    assert [gate.gate for gate in sent.gates] == ["rejection"]
    assert rejected.ship("Radio Tarnquell", formats=["wav-native"], only=["instrumental"]).record.gates == []


def test_others_of_the_kind_are_a_remark(rejected: Release) -> None:
    """Nothing is said to a kind that has not rejected it."""
    report = rejected.ship("Hollow Hour", kind="radio-programme", formats=["wav-native"])
    assert any("rejection 1" in remark.fault for remark in report.remarks)
    report = rejected.ship("Ixby Marrowlet", kind="club-dj", formats=["wav-native"])
    assert not any("rejection" in remark.fault for remark in report.remarks)


def test_mended_everywhere(rejected: Release, tmp_path: Path) -> None:
    """It goes to everybody, without a word; explicit and instrumental need not change for a clean word."""
    put(rejected, tmp_path / "2", takes(MENDED), answers=[1])
    for who, kind in (("Radio Tarnquell", None), ("Ixby Marrowlet", "club-dj"), ("Ola", "remixer")):
        report = rejected.ship(who, kind=kind, formats=["wav-native"])
        assert report.record.gates == []
        assert not any("rejection" in remark.fault for remark in report.remarks)


@pytest.mark.parametrize("left", ["acapella clean", "dj clean"])
def test_one_version_was_forgotten(rejected: Release, tmp_path: Path, left: str) -> None:
    """The clean song was mended, and the word is still in another version: named, with its own time."""
    sounds = takes(MENDED)
    del sounds[left]
    put(rejected, tmp_path / "2", sounds, answers=[1])
    where = "0:05.200" if left == "dj clean" else "0:03.200"
    with pytest.raises(ClosedGateError, match=rf"{left.replace(' ', '-')} sounds the same at {where}"):
        rejected.ship("Ixby Marrowlet", kind="club-dj", formats=["wav-native"])
    rejected.ship("Radio Tarnquell", formats=["wav-native"])  # who gets neither


@pytest.mark.parametrize(
    "trick",
    [
        lambda clean: clean * 0.9,  # only softer
        lambda clean: muted(clean, 5.0, 0.4),  # mended at another place
        lambda clean: clean + 1e-6 * music(9, len(clean) / RATE_HZ),  # dithered again
    ],
)
def test_said_to_be_answered_and_is_not(
    rejected: Release, tmp_path: Path, trick: Callable[[Samples], Samples]
) -> None:
    """Then nobody gets it, whatever their kind."""
    sounds = {name: trick(sound) for name, sound in takes(muted(VOICE, 1.0, 0.4)).items() if "clean" in name}
    put(rejected, tmp_path / "2", sounds, answers=[1])
    with pytest.raises(ClosedGateError, match="which this revision is said to answer"):
        rejected.ship("Ixby Marrowlet", kind="club-dj", formats=["wav-native"])


def test_a_click_in_the_drums(release: Release, tmp_path: Path) -> None:
    """Mended in the full mix and not in the instrumental, it is found there; the acapella never had it."""
    clicking = MUSIC.copy()
    start = round(CLICK * RATE_HZ)
    clicking[start : start + 60] += 0.4
    put(release, tmp_path / "1", takes(VOICE, clicking))
    release.ship("Ixby Marrowlet", kind="club-dj", formats=["wav-native"])
    release.reply("Ixby Marrowlet", "rejected", version="explicit", at=["0:04.5"], text="a click")
    mended = takes(VOICE)
    del mended["inst"]
    put(release, tmp_path / "2", mended, answers=[1])
    with pytest.raises(ClosedGateError) as caught:
        release.ship("Ixby Marrowlet", formats=["wav-native"])
    (gate,) = caught.value.gates
    assert len(gate.findings) == 1
    assert gate.findings[0].startswith("instrumental sounds the same at 0:04.500")
    put(release, tmp_path / "3", {"inst": MUSIC})
    assert release.ship("Ixby Marrowlet", formats=["wav-native"]).record.gates == []


def test_an_older_revision_is_judged_as_what_it_is(rejected: Release, tmp_path: Path) -> None:
    """Answered since, but not in that one."""
    put(rejected, tmp_path / "2", takes(MENDED), answers=[1])
    with pytest.raises(ClosedGateError, match="clean sounds the same"):
        rejected.ship("Radio Tarnquell", revision="1", formats=["wav-native"])


def test_a_longer_bounce_that_was_not_mended(rejected: Release, tmp_path: Path) -> None:
    """Half a second in front of it does not make it another passage."""
    lead = np.zeros((RATE_HZ // 2, 2))
    sounds = {name: np.concatenate([lead, each]) for name, each in takes(muted(VOICE, 1.0, 0.4)).items()}
    put(rejected, tmp_path / "2", sounds, answers=[1])
    with pytest.raises(ClosedGateError, match=r"clean sounds the same at 0:03\.700"):
        rejected.ship("Radio Tarnquell", formats=["wav-native"])


def test_of_a_whole_version_and_of_a_whole_package(release: Release, tmp_path: Path) -> None:
    """Without a place, any other sound of it will do."""
    put(release, tmp_path / "1", takes(VOICE))
    release.ship("Ixby Marrowlet", kind="club-dj", formats=["wav-native"])
    release.reply("Ixby Marrowlet", "rejected", text="too quiet")
    release.reply("Ixby Marrowlet", "rejected", version="clean", text="too dull")
    with pytest.raises(ClosedGateError) as caught:
        release.ship("Ixby Marrowlet", formats=["wav-native"])
    assert len(caught.value.gates[0].findings) == 2
    put(release, tmp_path / "2", {"inst": MUSIC * 0.9}, answers=[1])
    with pytest.raises(ClosedGateError, match="clean sounds as it was rejected: rejection 2"):
        release.ship("Ixby Marrowlet", formats=["wav-native"])
    assert release.ship("Ixby Marrowlet", formats=["wav-native"], only=["instrumental"]).record.gates == []


# --- numbers and answers


def test_a_number_is_never_given_twice(rejected: Release) -> None:
    """Also where the rejection was taken back, which closes it."""
    first = rejected.history(rejection=1).events
    record = next(event.record for event in first if event.record and event.record.type == "reply")
    rejected.withdraw(record.id, reason="they meant another song")
    assert [each.state for each in rejected.shipments().holdings] == ["current"]
    again = rejected.reply("Radio Tarnquell", "rejected", version="clean", text="now really")
    assert again.record.number == 2
    with pytest.raises(NothingToAnswerError, match="no rejection 1") as caught:
        rejected.commit(answers=[1])
    assert "Open: 2." in caught.value.hint


def test_an_answer_needs_an_open_rejection(rejected: Release, tmp_path: Path) -> None:
    """A slip in the number is no answer to anything, and nothing is recorded."""
    before = recorded(rejected.folder)
    for numbers in ([7], [1, 7]):
        with pytest.raises(NothingToAnswerError, match="no rejection 7"):
            rejected.commit(answers=numbers)
    assert recorded(rejected.folder) == before
    put(rejected, tmp_path / "2", takes(MENDED), answers=[1])
    with pytest.raises(NothingToAnswerError, match="rejection 1 is answered by revision 2"):
        rejected.commit(answers=[1])


def test_a_withdrawn_answer_answers_nothing(rejected: Release, tmp_path: Path) -> None:
    """A shipment that was taken back takes its rejection along."""
    put(rejected, tmp_path / "2", takes(MENDED), answers=[1])
    assert [each.state for each in rejected.shipments().holdings] == ["superseded"]
    shipment = rejected.shipments().holdings[0].shipment
    rejected.withdraw(shipment, reason="wrong station", never_sent=True)
    assert rejected.shipments().holdings == []


@pytest.mark.parametrize(
    ("asked", "kind", "fault"),
    [
        ({"recipient": "Nobody"}, UsageError, "nobody is called Nobody"),
        ({"recipient": "Radio Tarnquel"}, UsageError, "Did you mean Radio Tarnquell"),
        ({"answer": "liked"}, UsageError, "liked is not an answer"),
        ({"text": " "}, UsageError, "needs a reason"),
        ({"version": "explicit"}, UsageError, "did not get explicit"),
        ({"version": None, "at": ["0:01"]}, UsageError, "needs its version"),
        ({"at": ["0:06.001"]}, BadPlaceInSongError, "behind the end"),
        ({"at": ["1:75"]}, BadPlaceInSongError, "not a place"),
        ({"at": ["0:03-0:02"]}, BadPlaceInSongError, "not a place"),
        ({"at": ["bar x"]}, BadPlaceInSongError, "not a place"),
        ({"at": ["bar -9"]}, BadPlaceInSongError, "not a place"),
        ({"replied_on": "2020-01-01"}, BadDayError, "before the shipment"),
        ({"replied_on": "2999-01-01"}, BadDayError, "has not come yet"),
        ({"replied_on": "yesterday"}, BadDayError, "not a day"),
        ({"shipment": "abcdabcd"}, UsageError, "no record is called"),
    ],
)
def test_a_reply_that_makes_no_sense(
    rejected: Release, asked: dict[str, object], kind: type[UsageError], fault: str
) -> None:
    """Fault and hint, exit code 2, and nothing written."""
    before = recorded(rejected.folder)
    said: dict[str, object] = {"recipient": "Radio Tarnquell", "answer": "rejected", "text": "why"}
    said |= {"version": "clean"} | asked
    with pytest.raises(kind, match=fault) as caught:
        rejected.reply(**said)  # type: ignore[arg-type]
    assert caught.value.exit_code == 2
    assert caught.value.hint
    assert recorded(rejected.folder) == before


def test_a_reply_to_nothing(release: Release, tmp_path: Path) -> None:
    """Somebody who is in the address book, and never got anything."""
    put(release, tmp_path / "1", {"clean": VOICE})
    release.ship("Ixby Marrowlet", kind="club-dj", formats=["wav-native"])
    from relkit.release import address_book

    address_book.add(release._workspace.home, "Hollow Hour", kind="radio-programme")
    with pytest.raises(UsageError, match="nothing was sent to Hollow Hour"):
        release.reply("Hollow Hour", "playing")
