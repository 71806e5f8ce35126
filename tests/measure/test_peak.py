"""Sample peak and true peak against the published table, EBU's signals and SciPy."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
import scipy.signal

from relkit.measure.peak import PHASES, SLAB_FRAMES, PeakMeter
from tests.support.measuring import RATES_HZ, Samples, varied

# ITU-R BS.1770-5 (11/2023), Annex 2, table of the 48-tap filter: rows k, columns phases 0 to 3.
PUBLISHED = """
     0.0017089843750   -0.0291748046875   -0.0189208984375   -0.0083007812500
     0.0109863281250    0.0292968750000    0.0330810546875    0.0148925781250
    -0.0196533203125   -0.0517578125000   -0.0582275390625   -0.0266113281250
     0.0332031250000    0.0891113281250    0.1015625000000    0.0476074218750
    -0.0594482421875   -0.1665039062500   -0.2003173828125   -0.1022949218750
     0.1373291015625    0.4650878906250    0.7797851562500    0.9721679687500
     0.9721679687500    0.7797851562500    0.4650878906250    0.1373291015625
    -0.1022949218750   -0.2003173828125   -0.1665039062500   -0.0594482421875
     0.0476074218750    0.1015625000000    0.0891113281250    0.0332031250000
    -0.0266113281250   -0.0582275390625   -0.0517578125000   -0.0196533203125
     0.0148925781250    0.0330810546875    0.0292968750000    0.0109863281250
    -0.0083007812500   -0.0189208984375   -0.0291748046875    0.0017089843750
"""
TABLE: npt.NDArray[np.float64] = np.array(PUBLISHED.split(), dtype=np.float64).reshape(12, 4)


def true_peak(samples: Samples, rate_hz: int = 48_000) -> float:
    """Return the true peak of a whole signal."""
    meter = PeakMeter(rate_hz, samples.shape[1])
    meter.feed(samples)
    return meter.true_peak_dbtp()


def reference_dbtp(samples: Samples) -> float:
    """Return the true peak by SciPy in float64: the published table over the whole signal."""
    between = scipy.signal.upfirdn(TABLE.reshape(-1), samples.astype(np.float64), up=4, axis=0)
    return float(20 * np.log10(max(np.abs(between).max(), np.abs(samples).max())))


def test_the_table_is_the_published_one() -> None:
    """Every value, exactly: they are all multiples of 1/8192."""
    assert np.array_equal(PHASES.T, TABLE)
    assert np.array_equal(TABLE * 8192, np.round(TABLE * 8192))


def test_the_phases_mirror_each_other() -> None:
    """Phase 3 is phase 0 reversed, phase 2 is phase 1 reversed: the 48 taps are symmetric."""
    assert np.array_equal(PHASES[3], PHASES[0][::-1])
    assert np.array_equal(PHASES[2], PHASES[1][::-1])


def test_the_phases_have_the_known_sums() -> None:
    """Gain for a constant signal; computed from the published table, printed to 8 decimals."""
    assert PHASES.sum(axis=1) == pytest.approx([1.00158691, 0.97302246, 0.97302246, 1.00158691], abs=5e-9)


# EBU Tech 3341 (2023), Table 1, cases 15 to 19: fraction of the rate, amplitude, phase, true peak.
SINES = {
    15: (1 / 4, 0.50, 0.0, -6.0),
    16: (1 / 4, 0.50, 45.0, -6.0),
    17: (1 / 6, 0.50, 60.0, -6.0),
    18: (1 / 8, 0.50, 67.5, -6.0),
    19: (1 / 4, 1.41, 45.0, +3.0),
}
TOLERANCE_DB = (-0.4, +0.2)  # the same table


def _faded(wave: npt.NDArray[np.float64], rate_hz: int) -> npt.NDArray[np.float64]:
    """Return it with 10 ms fades."""
    ramp = np.minimum(np.arange(len(wave)) / (0.01 * rate_hz), 1.0)
    return wave * ramp * ramp[::-1]


def _stereo(wave: npt.NDArray[np.float64]) -> Samples:
    """Return the same in two channels."""
    return np.ascontiguousarray(np.column_stack([wave, wave]), dtype=np.float32)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("case", SINES)
def test_tech_3341_sines(case: int, rate_hz: int) -> None:
    """Cases 15 to 19: sines whose crests fall between the samples."""
    fraction, amplitude, degrees, published = SINES[case]
    wave = amplitude * np.sin(2 * np.pi * fraction * np.arange(rate_hz) + np.radians(degrees))

    error = true_peak(_stereo(_faded(wave, rate_hz)), rate_hz) - published

    assert TOLERANCE_DB[0] <= error <= TOLERANCE_DB[1]


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("case", [20, 21, 22, 23])
def test_tech_3341_bursts(case: int, rate_hz: int) -> None:
    """Cases 20 to 23: one louder period in a sine, made at four times the rate, four sample offsets."""
    low = 0.5 * np.sin(2 * np.pi * np.arange(24) / 24)  # one period of rate / 6
    high = 1.0 * np.sin(2 * np.pi * np.arange(16) / 16)  # one period of rate / 4
    periods = rate_hz // 60
    wave = np.concatenate([np.tile(low, periods), high, np.tile(low, periods)])
    low_pass = scipy.signal.firwin(511, 0.98 / 4)  # of four times Nyquist: just below rate / 2
    wave = np.convolve(_faded(wave, 4 * rate_hz), low_pass, mode="same")[case - 20 :: 4]

    error = true_peak(_stereo(wave), rate_hz) - 0.0  # dBTP, published

    assert TOLERANCE_DB[0] <= error <= TOLERANCE_DB[1]


@pytest.mark.parametrize("channels", [1, 2, 6, 8])
@pytest.mark.parametrize("frames", [1, 2, 11, 12, 4097, SLAB_FRAMES - 5, SLAB_FRAMES, 2 * SLAB_FRAMES + 3])
def test_agrees_with_a_full_interpolation_in_float64(frames: int, channels: int) -> None:
    """The blocks lose nothing: at the edges, between slabs, in any channel."""
    rng = np.random.default_rng(frames * channels)
    samples = rng.uniform(-1, 1, (frames, channels)).astype(np.float32)

    assert true_peak(samples) == pytest.approx(reference_dbtp(samples), abs=0.001)


@pytest.mark.parametrize("place", [0, 1, SLAB_FRAMES - 6, SLAB_FRAMES - 1, SLAB_FRAMES, 2 * SLAB_FRAMES - 2])
def test_a_crest_between_two_samples_is_found_anywhere(place: int) -> None:
    """Two equal samples side by side reach higher between them, also across a slab's border."""
    samples = np.zeros((2 * SLAB_FRAMES, 2), np.float32)
    samples[place : place + 2, 1] = 0.7

    assert true_peak(samples) == pytest.approx(reference_dbtp(samples), abs=0.001)
    assert true_peak(samples) > 20 * math.log10(0.8)


@pytest.mark.parametrize("frames", range(SLAB_FRAMES - 12, SLAB_FRAMES + 2))
def test_the_filter_runs_out_after_the_last_frame(frames: int) -> None:
    """A crest at the very end comes out of the filter later, wherever the slab ends."""
    samples = np.zeros((frames, 1), np.float32)
    samples[-2:] = 0.7

    assert true_peak(samples) == pytest.approx(reference_dbtp(samples), abs=0.001)


@pytest.mark.parametrize("seed", range(32))
def test_agrees_on_varied_signals(seed: int) -> None:
    """At any rate, in one to six channels, loud or quiet: float32 keeps its relative precision."""
    rate_hz = (8_000, 44_100, 48_000, 88_200, 96_000, 192_000)[seed % 6]
    samples = varied(seed, rate_hz, 1.5, channels=(1, 2, 2, 6)[seed // 8])
    samples *= np.float32(10 ** (-(seed % 5)))

    assert true_peak(samples, rate_hz) == pytest.approx(reference_dbtp(samples), abs=0.001)


PLACES = (20, 3000.25, SLAB_FRAMES - 0.5, SLAB_FRAMES + 5.75, 2 * SLAB_FRAMES + 100)


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("sign", [1, -1])
def test_the_time_of_the_peak(place: float, sign: int) -> None:
    """A band-limited crest between samples, put anywhere, among lower ones."""
    frames = np.arange(3 * SLAB_FRAMES)
    wave = 0.8 * np.sinc((frames - place) / 4) + 0.799 * np.sinc((frames - place - 20_000) / 4)
    samples = np.column_stack([0.5 * wave, sign * wave]).astype(np.float32)
    meter = PeakMeter(48_000, 2)
    meter.feed(samples)
    at_s = meter.true_peak_at_s()

    assert at_s is not None
    assert at_s * 48_000 == pytest.approx(place, abs=0.5)  # the grid is a quarter of a frame


def test_the_first_of_equal_peaks_counts() -> None:
    """A quarter of the rate at 45 degrees has crests midway between samples, once a cycle."""
    samples = np.tile(np.array([[0.5], [0.5], [-0.5], [-0.5]], np.float32), (25_000, 1))
    samples[:1000] *= np.float32(0.5)
    samples[-1000:] *= np.float32(0.5)  # an end cut off hard would reach higher
    meter = PeakMeter(48_000, 1)
    meter.feed(samples)
    at_s = meter.true_peak_at_s()

    assert at_s is not None
    assert 999 <= at_s * 48_000 < 1010


def test_the_time_of_a_lone_sample_and_of_an_edge() -> None:
    """A sample that nothing between passes has its own time; what swings over at an end has the end's."""
    for samples, frame in (([0, 0, 1, 0, 0], 2), ([0.9, 0.9], 0), ([0.0] * 50 + [0.9, 0.9], 50)):
        meter = PeakMeter(48_000, 1)
        meter.feed(np.array(samples, np.float32)[:, None])
        at_s = meter.true_peak_at_s()
        assert at_s is not None
        assert at_s * 48_000 == pytest.approx(frame, abs=1)
    silent = PeakMeter(48_000, 1)
    silent.feed(np.zeros((50, 1), np.float32))
    assert silent.true_peak_at_s() is None


def test_the_sample_peak_is_exact() -> None:
    """A sample is what it is; the sign does not matter."""
    samples = np.zeros((100_000, 2), np.float32)
    samples[77_777, 1] = -0.5
    meter = PeakMeter(48_000, 2)
    meter.feed(samples)

    assert meter.sample_peak_dbfs() == 20 * math.log10(0.5)


def test_a_lone_sample_is_a_floor_for_the_true_peak() -> None:
    """No phase passes a sample through at full height (0.9722 at most), so the meter looks at both."""
    assert true_peak(np.ones((1, 1), np.float32)) == 0.0


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 1e30])
def test_what_is_no_number_is_noticed_and_counts_as_zero(bad: float) -> None:
    """The peaks are those of the rest."""
    samples = varied(1, 44_100, 1.0, channels=2)
    samples[[5, 40_000], [0, 1]] = 0
    meter, dirty = PeakMeter(44_100, 2), PeakMeter(44_100, 2)
    meter.feed(samples)
    samples[[5, 40_000], [0, 1]] = bad
    dirty.feed(samples)

    assert dirty.true_peak_dbtp() == meter.true_peak_dbtp()
    assert dirty.sample_peak_dbfs() == meter.sample_peak_dbfs()
    assert (meter.nonfinite, dirty.nonfinite) == (False, True)
