"""Some of the bad and of the sound packs; all of them: ``python -m tests.support.qc_confusion``."""

from __future__ import annotations

import pytest

from relkit.store.cache import Cache
from tests.support.bad_packs import DEFECTS, Defect
from tests.support.qc_confusion import missed
from tests.support.qc_packs import told
from tests.support.sound_packs import ODDITIES, Oddity

# One or two of each kind that change few versions, so that most of what is measured is remembered.
QUICK = (
    "no clean version",
    "one version at 48 kHz",
    "clean declared explicit",
    "one ISRC twice",
    "clean one frame late",
    "silence at the end",
    "clean upside down",
    "clean 0.7 dB soft",
    "instrumental 4 dB soft",
    "the left channel is dead",
    "a silent acapella",
    "16 bits in 24",
    "tempo off by 2",
    "4 bars of intro",
    "an intro that fades in",
    "a click at the join",
    "the explicit file as the clean one",
    "a word heard in the clean acapella",
    "the mix muted 90 ms late",
    "a word in the clean intro",
    "one ad-lib in the beat",
)


def test_there_are_as_many_as_the_table_says() -> None:
    """At least 60 defects and 40 oddities, each under a name of its own, and every quick one is there."""
    names = [defect.name for defect in DEFECTS]
    assert len(set(names)) == len(names) >= 60
    assert len({oddity.name for oddity in ODDITIES}) == len(ODDITIES) >= 40
    assert set(QUICK) <= set(names)


@pytest.mark.parametrize(
    "defect", [one for one in DEFECTS if one.name in QUICK], ids=lambda defect: defect.name
)
def test_a_defect_is_found_by_its_rule(defect: Defect, memory: Cache) -> None:
    """At the severity that it should have, about the version that has it."""
    found = defect.made().findings(memory)
    assert not missed(defect, found), told(found)


@pytest.mark.parametrize(
    "oddity",
    [one for one in ODDITIES if one.name in {"shortened radio edit", "count-in", "stems"}],
    ids=lambda oddity: oddity.name,
)
def test_an_oddity_is_no_fault(oddity: Oddity, memory: Cache) -> None:
    """Nothing that would be sent back."""
    found = oddity.make().findings(memory)
    assert not [one for one in found if one.severity == "fail"], told(found)
