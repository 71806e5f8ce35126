"""Which acapella tells where the words begin, and what becomes of the times."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from relkit.measure.audible import Envelope
from relkit.pack.facts import Timers
from relkit.pack.timers import timers, vocal_of
from tests.support.tag_facts import version

RATE_HZ = 8_000


def envelope(*parts: tuple[float, float]) -> Envelope:
    """Return levels of noise: (seconds, amplitude) one after the other."""
    rng = np.random.default_rng(4)
    samples: npt.NDArray[np.float32] = np.concatenate(
        [rng.uniform(-1, 1, (round(seconds * RATE_HZ), 1)) * amplitude for seconds, amplitude in parts]
    ).astype(np.float32)
    made = Envelope(RATE_HZ, 1)
    made.feed(samples)
    return made


EXPLICIT = version(id="explicit", rating="explicit")
CLEAN = version(id="clean", rating="clean")
INSTRUMENTAL = version(id="instrumental", parts="instrumental", rating="no-edit-needed")
TV = version(id="tv", parts="tv", rating="clean")
ACAPELLA = version(id="acapella", parts="acapella", rating="explicit")
ACAPELLA_CLEAN = version(id="acapella-clean", parts="acapella", rating="clean")
SHORT = version(id="short", length_group="short")
GERMAN = version(id="german", language="de")
ALL = [EXPLICIT, CLEAN, INSTRUMENTAL, TV, ACAPELLA, ACAPELLA_CLEAN, SHORT, GERMAN]


@pytest.mark.parametrize(
    ("of", "vocal"),
    [
        (EXPLICIT, ACAPELLA),
        (CLEAN, ACAPELLA_CLEAN),
        (ACAPELLA, ACAPELLA),
        (ACAPELLA_CLEAN, ACAPELLA_CLEAN),
        (INSTRUMENTAL, None),
        (TV, None),  # backing voices only: nobody knows which of them is a word
        (SHORT, None),  # another length: its words begin elsewhere
        (GERMAN, None),  # another language: other words
    ],
    ids=lambda each: each.id if each else "none",
)
def test_words_are_looked_for_in_the_acapella_that_fits(of: object, vocal: object) -> None:
    """By length group, language and rating."""
    assert vocal_of(of, ALL) == vocal  # type: ignore[arg-type]


def test_without_a_clean_acapella_the_explicit_one_is_early_enough() -> None:
    """A clean edit can drop the first word, never add one before it."""
    assert vocal_of(CLEAN, [CLEAN, EXPLICIT, ACAPELLA]) == ACAPELLA
    assert vocal_of(EXPLICIT, [EXPLICIT, ACAPELLA_CLEAN, ACAPELLA]) == ACAPELLA


def test_times_of_a_song() -> None:
    """Half a second of silence, four bars of music, words from 3 s, a cut at 8.5 s."""
    song = envelope((0.5, 0), (8, 0.5), (1, 0))
    vocal = envelope((3, 0), (5.5, 0.3), (1, 0))
    found = timers(song, vocal=vocal)
    assert found.audible_from_s == pytest.approx(0.5, abs=0.001)
    assert found.audible_to_s == pytest.approx(8.5, abs=0.001)
    assert found.vocal_from_s == pytest.approx(3, abs=0.02)
    assert found.segue_s == pytest.approx(8.5, abs=0.02)


def test_words_come_later_in_a_dj_edit() -> None:
    """By as much as its body does."""
    song = envelope((30, 0.5), (1, 0))
    vocal = envelope((3, 0), (5.5, 0.3), (1, 0))
    assert timers(song, vocal=vocal, vocal_later_s=15.7).vocal_from_s == pytest.approx(18.7, abs=0.02)


def test_what_is_declared_goes_before_what_is_measured() -> None:
    """A person heard it."""
    song = envelope((9, 0.5), (1, 0))
    assert timers(song, vocal=envelope((3, 0), (6, 0.3)), vocal_from_s=2.5).vocal_from_s == 2.5
    assert timers(None, vocal_from_s=2.5) == Timers(vocal_from_s=2.5)


def test_a_cold_ending_lasts_until_its_last_sound() -> None:
    """Although the last chord rings below the level of a segue."""
    ringing = [(8.0, 0.5), (1.5, 0.02), (1.0, 0.0)]
    assert timers(envelope(*ringing), ending="cold").segue_s == pytest.approx(9.5, abs=0.001)
    assert timers(envelope(*ringing), ending="fade").segue_s == pytest.approx(8, abs=0.02)


def test_nothing_is_known_of_silence() -> None:
    """Nor of a file that nobody measured; nor are words known behind the last sound."""
    assert timers(envelope((2, 0))) == Timers()
    assert timers(None) == Timers()
    assert timers(envelope((2, 0.5), (3, 0)), vocal_from_s=4.0).vocal_from_s is None
