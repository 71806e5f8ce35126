"""A word that denies a rating is never taken for that rating. Common practice, no source."""

from __future__ import annotations

import pytest

from relkit.vocabulary import Ambiguous, Recognised, Version, recognise


@pytest.mark.parametrize("name", ["song clean NOT OK.wav", "song no clean edit yet.wav"])
def test_what_is_denied_is_asked_about(name: str) -> None:
    """Guessing here would send the wrong bounce to a station."""
    assert isinstance(recognise(name, known={}, artist=None, title="song"), Ambiguous)


@pytest.mark.parametrize("name", ["song not clean.wav", "song unclean.wav", "song dirty.wav"])
@pytest.mark.parametrize("rating", [None, "clean"])
def test_what_is_not_clean_is_never_clean(name: str, rating: str | None) -> None:
    """Explicit, or a question; also where the release has nothing but a clean version."""
    main = {"main": Version("main", rating="no-edit-needed")}
    for versions in ({}, {"clean": Version("clean", rating=rating)}):
        said = recognise(name, known={}, artist=None, title="song", versions=main | versions)
        assert not isinstance(said, Recognised) or said.version_id != "clean"
