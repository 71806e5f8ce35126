"""Packs for the rules of QC, straight from arrays: no files, no store, no release.

Conventions
    samples    float32, shape (frames, channels), full scale 1.0; taken as 24-bit integers unless said
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from relkit.manifest import SoundFacts, VersionFacts
from relkit.measure.levels import Meter
from relkit.qc.check import check
from relkit.qc.ear import Ear, Sink
from relkit.qc.findings import Finding
from relkit.qc.heard import Hint
from relkit.qc.pack import Bounce, Odder, Pack
from relkit.sheet import Sheet
from relkit.store.cache import Cache
from relkit.vocabulary.versions import WELL_KNOWN, Version

Samples = npt.NDArray[np.float32]
WINDOW_FRAMES = 1 << 18
RATINGS = {
    "explicit": "explicit",
    "clean": "clean",
    "instrumental": "no-edit-needed",
    "acapella": "explicit",
    "acapella-clean": "clean",
    "dj": "explicit",
    "dj-clean": "clean",
    "main": "no-edit-needed",
}

SHEET = """format = 1
artist = "Ostrel Vane"
title = "Lanterns on the Weir"
key = "{key}"
composers = ["Ostrel Vane"]
{facts}
[credits]
"Mixed by" = "Ostrel Vane"

[bars]
{bars}

[limits]
{limits}

[versions.explicit]
file = "bounces/explicit.wav"
isrc = "{isrcs[0]}"

[versions.clean]
file = "bounces/clean.wav"
isrc = "{isrcs[1]}"
"""


def version_facts(version_id: str, **axes: Any) -> VersionFacts:
    """Return a version with the axes of its id, and some of them otherwise."""
    base = WELL_KNOWN.get(version_id) or Version(version_id)
    facts = {
        "id": version_id,
        "label": base.label,
        "parts": base.parts,
        "form": base.form,
        "rating": RATINGS.get(version_id),
        "length_group": base.length_group,
        "removed": ["swearing"] if RATINGS.get(version_id) == "clean" else [],
    }
    if "form" in axes and "length_group" not in axes:
        axes["length_group"] = Version(version_id, form=axes["form"]).length_group
    return VersionFacts.model_validate({**facts, **axes})


@dataclass
class Made:
    """A pack that is being made: change it, then ``findings``.

    Attributes:
        audio: samples by version id.
        axes: what is not as the version's id has it.
        formats: sample format where it is not "int24"; the samples are taken as they are.
        rates_hz: where it is not ``rate_hz``.
        limits, facts, bars: lines of the sheet.
    """

    audio: dict[str, Samples]
    rate_hz: int = 44_100
    axes: dict[str, dict[str, Any]] = field(default_factory=dict)
    formats: dict[str, str] = field(default_factory=dict)
    rates_hz: dict[str, int] = field(default_factory=dict)
    limits: str = ""
    facts: str = ""
    bars: str = "tempo_bpm = 122"
    key: str = "F# minor"
    has_cover: bool = True
    sheet_text: str | None = None
    isrcs: tuple[str, str] = ("AAA993100001", "AAA993100002")
    cover_odd: tuple[Odder, ...] = ()

    def sheet(self) -> Sheet:
        """Return the sheet."""
        text = self.sheet_text or SHEET.format(
            facts=self.facts, bars=self.bars, limits=self.limits, key=self.key, isrcs=self.isrcs
        )
        return Sheet.parse(text)

    def pack(self) -> Pack:
        """Measure what a manifest holds, and return the pack."""
        return Pack(
            tuple(self._bounce(version_id) for version_id in self.audio),
            self.sheet(),
            self.has_cover,
            self.cover_odd,
        )

    def _bounce(self, version_id: str) -> Bounce:
        samples = np.ascontiguousarray(self.audio[version_id], np.float32)
        rate_hz = self.rates_hz.get(version_id, self.rate_hz)
        meter = Meter(rate_hz, samples.shape[1])
        meter.feed(samples)
        levels = {name: value for name, value in meter.levels().rounded().items() if name != "frames"}
        identity = hashlib.sha256(samples.tobytes() + f"{samples.shape} {rate_hz}".encode()).hexdigest()
        sound = SoundFacts(
            identity=identity,
            sample_format=self.formats.get(version_id, "int24"),
            sample_rate_hz=rate_hz,
            channels=samples.shape[1],
            frames=len(samples),
            meter="test",
            **levels,
        )
        facts = version_facts(version_id.partition("/")[0], **self.axes.get(version_id, {}))
        return Bounce(facts, f"{version_id}.wav", sound, version_id)

    def findings(self, cache: Cache | None = None) -> list[Finding]:
        """Check it."""
        return heard_findings(self.pack(), self.audio, cache or Cache(Path(":memory:")))[0]


def heard_findings(pack: Pack, audio: Mapping[str, Samples], cache: Cache) -> tuple[list[Finding], list[str]]:
    """Return the findings, and the names of what had to be decoded."""

    def opened(bounce: Bounce, sink: Sink) -> None:
        samples = np.ascontiguousarray(audio[bounce.key], np.float32)
        for start in range(0, len(samples), WINDOW_FRAMES):
            sink(samples[start : start + WINDOW_FRAMES])

    lead = pack.lead
    with Ear(opened, cache, hint_of(pack.sheet), lead.sound.identity if lead else None) as ear:
        return check(pack, ear), ear.decoded


def hint_of(sheet: Sheet) -> Hint:
    """Return what a sheet says of tempo, as the verb does."""
    from relkit.release.declared import tempo_of

    return Hint(*tempo_of(sheet.bars))


def told(findings: list[Finding]) -> str:
    """Return findings as text, for a test that fails."""
    return "\n".join(
        f"{one.severity} {one.rule}: {one.fault} [{one.measured}] {' '.join(map(str, one.places[:3]))}"
        for one in findings
    )
