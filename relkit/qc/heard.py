"""What is heard in one bounce alone: levels over time, faults, and for the lead tempo and key.

Conventions
    samples    float32, C-contiguous, shape (frames, channels), full scale 1.0
    silence    under -70 dBFS, in any channel; where the file has it at its ends, in frames

Everything is plain values, so that it can be remembered as JSON.

Not here: what a manifest has already (integrated loudness, peaks), judging (``rules_*``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from relkit.measure.slabs import Samples

VERSION = "qc-heard-1"  # goes up whenever a value of any signal may change
SILENCE_DBFS = -70.0


@dataclass(frozen=True)
class Hint:
    """What is declared of the song, for tempo to be compared with.

    Attributes:
        tempo_bpm: None where it is not one number.
        beats_per_bar: beats of the kind that the tempo counts.
    """

    tempo_bpm: float | None
    beats_per_bar: int


@dataclass(frozen=True)
class Heard:
    """One bounce.

    Attributes:
        max_short_term_lufs: of 3 s; None if shorter or silent.
        leading_silent_frames, trailing_silent_frames: see the module's header; all frames and 0 for silence.
        clipped_runs: flat tops of 3 samples or more.
        first_clipped_s: where the first of them are.
        dc_offsets: of each channel, full scale 1.0.
        correlation, mono_loss_db, level_difference_db, dual_mono: of two channels, else None; an
            infinite loss is 999.
        dead_channels: from 0.
        effective_bits: None if it needs more than 24.
        undithered_at_s: first place that shows it; None if nothing does.
        low_pass_hz: None where the spectrum has no edge.
        tempo: as ``relkit.measure.tempo.Tempo``; None if it was not asked for.
        key: as ``relkit.measure.key.KeyEstimate.rounded``; None if it was not asked for.
    """

    max_short_term_lufs: float | None
    leading_silent_frames: int
    trailing_silent_frames: int
    clipped_runs: int
    first_clipped_s: list[float]
    dc_offsets: list[float]
    correlation: float | None
    mono_loss_db: float | None
    level_difference_db: float | None
    dual_mono: bool | None
    dead_channels: list[int]
    effective_bits: int | None
    undithered_at_s: float | None
    low_pass_hz: int | None
    tempo: dict[str, Any] | None = None
    key: dict[str, Any] | None = None


class Hearing:
    """All meters of one bounce, fed together."""

    def __init__(
        self, rate_hz: int, channels: int, channel_mask: int, bits: int | None, hint: Hint | None
    ) -> None:
        from relkit.measure.faults import FaultMeter
        from relkit.measure.key import KeyMeter
        from relkit.measure.loudness import LoudnessMeter
        from relkit.measure.tempo import TempoMeter

        self._rate_hz = rate_hz
        self._hint = hint
        self._loudness = LoudnessMeter(rate_hz, channels, channel_mask)
        self._faults = FaultMeter(rate_hz, channels, bits, SILENCE_DBFS)
        self._tempo = TempoMeter(rate_hz, channels) if hint else None
        self._key = KeyMeter(rate_hz, channels) if hint else None

    def feed(self, samples: Samples) -> None:
        """Take the next window."""
        for meter in (self._loudness, self._faults, self._tempo, self._key):
            if meter is not None:
                meter.feed(samples)

    def result(self) -> Heard:
        """End the signal and return what was heard."""
        loudness, faults = self._loudness.result(), self._faults.result()
        loudest, loss = loudness.max_short_term_lufs, faults.mono_loss_db
        return Heard(
            max_short_term_lufs=None if loudest is None or loudest < -200 else loudest,
            leading_silent_frames=round(faults.leading_silence_s * self._rate_hz),
            trailing_silent_frames=round(faults.trailing_silence_s * self._rate_hz),
            clipped_runs=faults.clipped_runs,
            first_clipped_s=list(faults.first_clipped_s),
            dc_offsets=list(faults.dc_offsets_full_scale),
            correlation=faults.correlation,
            mono_loss_db=None if loss is None else min(loss, 999.0),
            level_difference_db=faults.level_difference_db,
            dual_mono=faults.dual_mono,
            dead_channels=list(faults.dead_channels),
            effective_bits=faults.effective_bits,
            undithered_at_s=faults.undithered_at_s if faults.undithered else None,
            low_pass_hz=faults.low_pass_hz,
            tempo=self._tempo_document(),
            key=self._key.result().rounded() if self._key else None,
        )

    def _tempo_document(self) -> dict[str, Any] | None:
        """Return the tempo, as far as rules ask for it."""
        from relkit.measure.tempo import DeclaredTempo

        if self._tempo is None or self._hint is None:
            return None
        said = None if self._hint.tempo_bpm is None else DeclaredTempo(self._hint.tempo_bpm)
        tempo = self._tempo.result(said, self._hint.beats_per_bar)
        names = ("kind", "bpm", "confidence", "low_bpm", "high_bpm", "agreement", "drift_ms")
        return {name: getattr(tempo, name) for name in names}
