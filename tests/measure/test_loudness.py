"""Loudness against the standards' own signals and other people's meters."""

from __future__ import annotations

import math
import re
import subprocess
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile

from relkit.measure.loudness import Loudness, LoudnessMeter, channel_weights
from tests.support.measuring import (
    RATES_HZ,
    Samples,
    feed_tones,
    reference_lufs,
    tone,
    varied,
)

SILENT = -math.inf


def measure(samples: Samples, rate_hz: int, mask: int = 0) -> Loudness:
    """Return the figures of a whole signal."""
    meter = LoudnessMeter(rate_hz, samples.shape[1], mask)
    meter.feed(samples)
    return meter.result()


def integrated(samples: Samples, rate_hz: int, mask: int = 0) -> float:
    """Return its integrated loudness, which it must have."""
    loudness = measure(samples, rate_hz, mask).integrated_lufs
    assert loudness is not None
    return loudness


def of_tones(rate_hz: int, steps: Sequence[tuple[float, float]]) -> LoudnessMeter:
    """Return a meter that heard 1 kHz stereo tones: (seconds, dBFS) in turn."""
    meter = LoudnessMeter(rate_hz, channels=2)
    feed_tones(meter, rate_hz, steps)
    return meter


class TestAnchors:
    """Figures that BS.1770-5 prints."""

    @pytest.mark.parametrize("channel", [0, 1, 2], ids=["left", "right", "centre"])
    def test_a_full_scale_tone_in_one_front_channel(self, channel: int) -> None:
        """997 Hz at 48 kHz, for which the standard tabulates its filter."""
        levels = [SILENT] * 3
        levels[channel] = 0.0

        measured = integrated(tone(48_000, 5, levels, hz=997), 48_000)

        published = -3.01  # LKFS; ITU-R BS.1770-5 (11/2023), Annex 1, page 7, before Note 1
        assert measured == pytest.approx(published, abs=0.005)  # printed to two decimals

    @pytest.mark.parametrize("rate_hz", [8_000, 22_050, 44_100, 88_200, 96_000, 192_000, 384_000])
    def test_the_anchor_at_other_rates(self, rate_hz: int) -> None:
        """Within the known drift of the usual coefficients; at 8 kHz the shelf is warped as well."""
        measured = integrated(tone(rate_hz, 3, [0.0], hz=997), rate_hz)

        assert measured == pytest.approx(-3.01, abs=0.1)  # EBU Tech 3341's tolerance for a level

    def test_two_channels_add_their_power(self) -> None:
        """Twice the power of -3.01 LKFS is 0.00 LKFS."""
        assert integrated(tone(48_000, 5, [0.0, 0.0], hz=997), 48_000) == pytest.approx(0.0, abs=0.005)

    def test_a_surround_channel_counts_more_and_the_lfe_not_at_all(self) -> None:
        """G is 1.41 for Ls and Rs; the LFE is excluded: ITU-R BS.1770-5 Annex 1, Table 3."""
        for channel in (4, 5):
            levels = [SILENT] * 6
            levels[channel] = 0.0
            measured = integrated(tone(48_000, 2, levels, hz=997), 48_000, 0x3F)
            assert measured == pytest.approx(-3.01 + 10 * math.log10(1.41), abs=0.005)
        lfe = [SILENT] * 3 + [0.0] + [SILENT] * 2
        assert integrated(tone(48_000, 2, lfe, hz=997), 48_000, 0x3F) == SILENT

    def test_the_calibration_tone(self) -> None:
        """EBU Tech 3341 section 2.9: 1 kHz stereo at -18 dBFS reads -18.0 LUFS, one decimal."""
        assert integrated(tone(48_000, 5, [-18.0, -18.0]), 48_000) == pytest.approx(-18.0, abs=0.05)


class TestChannelWeights:
    """Which channel counts for how much; weights from ITU-R BS.1770-5 Table 3 and Annex 3, Table 4."""

    @pytest.mark.parametrize(
        ("channels", "mask", "weights"),
        [
            (1, 0x4, (1.0,)),
            (2, 0x3, (1.0, 1.0)),
            (2, 0, (1.0, 1.0)),
            (5, 0, (1.0, 1.0, 1.0, 1.41, 1.41)),
            (6, 0, (1.0, 1.0, 1.0, 0.0, 1.41, 1.41)),
            (6, 0x3F, (1.0, 1.0, 1.0, 0.0, 1.41, 1.41)),
            (6, 0x60F, (1.0, 1.0, 1.0, 0.0, 1.41, 1.41)),
            (8, 0x63F, (1.0, 1.0, 1.0, 0.0, 1.0, 1.0, 1.41, 1.41)),  # back pair at 135 degrees
            (4, 0x33, (1.0, 1.0, 1.41, 1.41)),
            (8, 0, (1.0,) * 8),
            (3, 0x3, (1.0, 1.0, 1.0)),  # fewer places than channels
            (2, 0x3F, (1.0, 1.0)),  # more places than channels
        ],
    )
    def test_weights(self, channels: int, mask: int, weights: tuple[float, ...]) -> None:
        """Mask bits as in WAVE_FORMAT_EXTENSIBLE, lowest first."""
        assert channel_weights(channels, mask) == weights


# EBU Tech 3341 (2023), Table 1: (seconds, dBFS) in turn, all read -23.0 but the second.
PROGRAMMES: dict[int, list[tuple[float, float]]] = {
    1: [(20, -23.0)],
    2: [(20, -33.0)],
    3: [(10, -36.0), (60, -23.0), (10, -36.0)],
    4: [(10, -72.0), (10, -36.0), (60, -23.0), (10, -36.0), (10, -72.0)],
    5: [(20, -26.0), (20.1, -20.0), (20, -26.0)],
}


@pytest.mark.parametrize("rate_hz", RATES_HZ)
class TestTech3341:
    """Minimum requirement signals; tolerance 0.1 LU throughout, from the same table."""

    @pytest.mark.parametrize("case", PROGRAMMES)
    def test_integrated(self, case: int, rate_hz: int) -> None:
        """Cases 1 to 5; the steady tones 1 and 2 also for momentary and short-term."""
        published = -33.0 if case == 2 else -23.0
        meter = of_tones(rate_hz, PROGRAMMES[case])

        result = meter.result()

        assert result.integrated_lufs == pytest.approx(published, abs=0.1)
        if case in (1, 2):
            assert meter.momentary_lufs()[10:] == pytest.approx(published, abs=0.1)
            assert meter.short_term_lufs()[1:] == pytest.approx(published, abs=0.1)

    @pytest.mark.parametrize(("mask", "lfe"), [(0, False), (0x37, False), (0x607, False), (0x3F, True)])
    def test_surround(self, rate_hz: int, mask: int, lfe: bool) -> None:
        """Case 6, five channels; with a loud LFE added nothing may change."""
        levels = [-28.0, -28.0, -24.0, *([0.0] if lfe else []), -30.0, -30.0]

        measured = integrated(np.tile(tone(rate_hz, 1, levels), (20, 1)), rate_hz, mask)

        assert measured == pytest.approx(-23.0, abs=0.1)

    def test_short_term_is_constant(self, rate_hz: int) -> None:
        """Case 9: every 3 s window holds one whole period."""
        short_term = of_tones(rate_hz, [(1.34, -20.0), (1.66, -30.0)] * 5).short_term_lufs()

        assert len(short_term) == 121
        assert short_term == pytest.approx(-23.0, abs=0.1)

    def test_momentary_is_constant(self, rate_hz: int) -> None:
        """Case 12: the same for 0.4 s windows, from 1 s on."""
        momentary = of_tones(rate_hz, [(0.18, -20.0), (0.22, -30.0)] * 25).momentary_lufs()

        assert momentary[60:] == pytest.approx(-23.0, abs=0.1)

    def test_max_short_term_wherever_it_begins(self, rate_hz: int) -> None:
        """Case 10: 20 files with 3 s of tone after a silence of i * 0.15 s."""
        for i in range(20):
            meter = of_tones(rate_hz, [(i * 0.15, SILENT), (3, -23.0), (1, SILENT)])
            assert meter.result().max_short_term_lufs == pytest.approx(-23.0, abs=0.1)

    def test_max_momentary_wherever_it_begins(self, rate_hz: int) -> None:
        """Case 13: 20 files with 0.4 s of tone after a silence of i * 20 ms."""
        for i in range(20):
            meter = of_tones(rate_hz, [(i * 0.02, SILENT), (0.4, -23.0), (1, SILENT)])
            assert meter.result().max_momentary_lufs == pytest.approx(-23.0, abs=0.1)

    def test_max_short_term_in_succession(self, rate_hz: int) -> None:
        """Case 11: twenty bursts of 3 s, each 1 dB up; the maximum of the windows so far follows."""
        steps = [
            step for i in range(20) for step in [(i * 0.15, SILENT), (3, -38.0 + i), (3 - i * 0.15, SILENT)]
        ]
        short_term = of_tones(rate_hz, steps).short_term_lufs()

        for i in range(20):
            highest = short_term[: 60 * i + 31].max()  # the windows that end within burst i's 6 s
            assert highest == pytest.approx(-38.0 + i, abs=0.1)

    def test_max_momentary_in_succession(self, rate_hz: int) -> None:
        """Case 14: the same with 0.4 s."""
        steps = [
            step
            for i in range(20)
            for step in [(i * 0.02, SILENT), (0.4, -38.0 + i), (0.4 - i * 0.02, SILENT)]
        ]
        momentary = of_tones(rate_hz, steps).momentary_lufs()

        for i in range(20):
            assert momentary[: 80 * i + 41].max() == pytest.approx(-38.0 + i, abs=0.1)


# EBU Tech 3342 (2023), Table 1: levels of 20 s tones [dBFS], loudness range [LU].
RANGES = {
    1: ([-20.0, -30.0], 10.0),
    2: ([-20.0, -15.0], 5.0),
    3: ([-40.0, -20.0], 20.0),
    4: ([-50.0, -35.0, -20.0, -35.0, -50.0], 15.0),
}


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("case", RANGES)
def test_tech_3342(case: int, rate_hz: int) -> None:
    """Loudness range, cases 1 to 4, and again when the signal is heard twice."""
    levels, published = RANGES[case]
    steps = [(20.0, level) for level in levels]

    once, twice = of_tones(rate_hz, steps).result(), of_tones(rate_hz, steps * 2).result()

    assert once.range_lu == pytest.approx(published, abs=1)  # LU; the same table
    # Section 3.1: repeating the whole changes nothing; 0.1 is a meter's last digit.
    assert twice.range_lu == pytest.approx(once.range_lu, abs=0.1)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_the_end_of_a_file_counts_in_its_range(rate_hz: int) -> None:
    """1.5 s of silence follow a file, so 15 more windows fade: EBU Tech 3342, listing in section 5.

    Of 71 + 15 windows, all of one tone, the 10 % point is number round(85 * 0.1 + 1) = 10 from below,
    which holds 2.4 s of it: 10 log10(2.4 / 3) = -0.97 LU; the 95 % point holds 3 s.
    """
    assert of_tones(rate_hz, [(10.0, -20.0)]).result().range_lu == pytest.approx(0.97, abs=0.01)


def test_a_short_burst_does_not_widen_the_range() -> None:
    """3.5 windows in 100 hold some of it; the range ends at the 95th percentile, Tech 3342 section 3.1."""
    meter = of_tones(44_100, [(50.0, -30.0), (0.5, -20.0), (50.0, -30.0)])

    assert meter.result().range_lu == pytest.approx(0.0, abs=0.1)


REFERENCE_RATES_HZ = (8_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 192_000)


@pytest.mark.parametrize("seed", range(32))
def test_agrees_with_pyloudnorm(seed: int) -> None:
    """Its filter class "DeMan" has the standard's coefficients; its default one does not."""
    rate_hz = REFERENCE_RATES_HZ[seed % len(REFERENCE_RATES_HZ)]
    channels = (1, 2, 2, 5)[seed // 8]
    samples = varied(seed, rate_hz, 2.0 + 0.2 * (seed % 7), channels)  # tenths: it rounds its last block

    reference = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(
        samples.astype(np.float64)
    )

    assert integrated(samples, rate_hz) == pytest.approx(reference, abs=0.02)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 44_100, 44_101, 48_000, 192_000, 384_000])
@pytest.mark.parametrize(("scale", "offset"), [(1.0, 0.0), (1e-3, 0.0), (1e-2, 0.5), (1e-3, -0.9)])
def test_float32_blocks_agree_with_float64(rate_hz: int, scale: float, offset: float) -> None:
    """To 0.001 LU: loud, quiet, quiet on top of an offset, at rates that 10 ms does not divide."""
    rng = np.random.default_rng(rate_hz)
    samples = (rng.standard_normal((round(1.73 * rate_hz), 2)) * 0.1 * scale).astype(np.float32)
    samples += np.float32(offset)
    if offset:  # a step of the offset would drown the quiet part; let it fade in
        samples *= np.minimum(np.arange(len(samples)) / (0.9 * rate_hz), 1)[:, None].astype(np.float32)

    reference = reference_lufs(samples, rate_hz, (1.0, 1.0))

    assert integrated(samples, rate_hz) == pytest.approx(reference, abs=0.001)


@pytest.mark.parametrize("seed", range(32))
def test_agrees_with_ffmpeg(seed: int, tmp_path: Path) -> None:
    """Integrated loudness, and the momentary one of every 0.1 s, as ffmpeg's ebur128 notes it per frame."""
    rate_hz = REFERENCE_RATES_HZ[seed % len(REFERENCE_RATES_HZ)]
    samples = varied(seed, rate_hz, 3.0, channels=(1, 2, 2, 6)[seed // 8])
    path = tmp_path / "noise.wav"
    soundfile.write(path, samples, rate_hz, subtype="FLOAT")
    command = ["ffmpeg", "-nostdin", "-hide_banner", "-i", str(path), "-af"]
    command += ["ebur128=metadata=1,ametadata=print:file=-", "-f", "null", "-"]

    noted = subprocess.run(command, check=True, capture_output=True, text=True).stdout

    readings = {
        key: [float(value) for value in re.findall(rf"lavfi\.r128\.{key}=(\S+)", noted)] for key in "IM"
    }
    meter = LoudnessMeter(rate_hz, samples.shape[1])
    meter.feed(samples)
    # It gathers blocks in a histogram with steps of 0.01 LU.
    assert meter.result().integrated_lufs == pytest.approx(readings["I"][-1], abs=0.02)
    ours = meter.momentary_lufs()[::10]
    audible = ours > -60
    theirs = np.array(readings["M"][3 : 3 + len(ours)])
    assert ours[audible] == pytest.approx(theirs[audible], abs=0.02)


class TestEdges:
    """What has no loudness gets none; nothing warns (warnings are errors here), nothing is NaN."""

    @pytest.mark.parametrize("rate_hz", [8_000, 44_100, 44_101, 44_102, 384_000])  # 44,102: 17,640.8
    def test_a_block_must_be_whole(self, rate_hz: int) -> None:
        """0.4 s to the nearest sample is enough, one frame less is not; BS.1770-5 Annex 1, equation 3."""
        block = round(0.4 * rate_hz)
        wave = tone(rate_hz, 0.5, [-20.0, -20.0])

        assert measure(wave[: block - 1], rate_hz) == Loudness(None, None, None, None)
        enough = measure(wave[:block], rate_hz)
        assert enough.integrated_lufs == enough.max_momentary_lufs == pytest.approx(-20.0, abs=0.3)
        assert enough.range_lu is enough.max_short_term_lufs is None

    def test_a_range_needs_three_seconds(self) -> None:
        """One short-term window, EBU Tech 3342 section 3.1."""
        wave = tone(48_000, 3, [-20.0])

        assert measure(wave[:-1], 48_000).range_lu is None
        assert measure(wave, 48_000).range_lu is not None

    def test_silence(self) -> None:
        """No block above the gate: -inf, and no range."""
        assert measure(np.zeros((200_000, 2), np.float32), 48_000) == Loudness(SILENT, None, SILENT, SILENT)

    def test_below_the_gate(self) -> None:
        """At -75 LUFS the absolute gate at -70 LKFS drops every block; the live figures still show it."""
        result = measure(tone(48_000, 4, [-75.0, -75.0]), 48_000)

        assert result.integrated_lufs == SILENT
        assert result.range_lu is None
        assert result.max_momentary_lufs == pytest.approx(-75.0, abs=0.1)

    @pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 3e38])
    def test_what_is_no_number_is_noticed_and_counts_as_zero(self, bad: float) -> None:
        """The loudness is that of the rest, also in what follows."""
        samples = varied(7, 44_100, 4.0, channels=2)
        samples[[5, 90_000], [0, 1]] = 0
        clean = measure(samples, 44_100)
        samples[[5, 90_000], [0, 1]] = bad
        meter = LoudnessMeter(44_100, 2)
        meter.feed(samples)

        assert meter.result() == clean
        assert meter.nonfinite

    def test_a_stopped_meter_takes_nothing_more(self) -> None:
        """The result ended the signal; asking again gives the same."""
        meter = LoudnessMeter(48_000, 1)
        meter.feed(tone(48_000, 4, [-20.0]))
        first = meter.result()

        with pytest.raises(ValueError, match="at its end"):
            meter.feed(np.zeros((1, 1), np.float32))
        assert meter.result() == first
        assert meter.frames == 4 * 48_000
