"""Both meters together: windows, threads, rounding, odd signals, memory."""

from __future__ import annotations

import json
import math
import threading
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relkit.measure.levels import Levels, Meter
from relkit.measure.loudness import LoudnessMeter
from relkit.measure.peak import PeakMeter
from tests.support.measuring import Samples, varied

RATE_HZ = 44_100
SIGNAL = varied(11, RATE_HZ, 4.5, channels=2)


def levels_of(samples: Samples, rate_hz: int, mask: int = 0) -> Levels:
    """Return the levels of a whole signal."""
    meter = Meter(rate_hz, samples.shape[1], mask)
    meter.feed(samples)
    return meter.levels()


@given(cuts=st.lists(st.integers(0, len(SIGNAL)), max_size=12))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_windows_do_not_matter(cuts: list[int]) -> None:
    """However the signal is cut, empty windows included, every figure is the same to the last bit."""
    meter = Meter(RATE_HZ, 2)

    for window in np.split(SIGNAL, sorted(cuts)):
        meter.feed(window)

    assert meter.levels() == levels_of(SIGNAL, RATE_HZ)
    assert meter.loudness.result().max_momentary_lufs is not None


def test_frame_by_frame() -> None:
    """The smallest windows there are."""
    meter = Meter(8_000, 2)
    for frame in SIGNAL[:5_000]:
        meter.feed(frame[None])

    assert meter.levels() == levels_of(SIGNAL[:5_000], 8_000)


def test_two_threads() -> None:
    """The two meters share no scratch memory."""
    meter = Meter(RATE_HZ, 2)

    def run(half: LoudnessMeter | PeakMeter) -> None:
        for _ in range(10):
            half.feed(SIGNAL)

    threads = [threading.Thread(target=run, args=(half,)) for half in (meter.loudness, meter.peak)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert meter.levels() == levels_of(np.tile(SIGNAL, (10, 1)), RATE_HZ)


def test_halves_that_heard_different_things_are_a_mistake() -> None:
    """A window was forgotten for one of them."""
    meter = Meter(RATE_HZ, 2)
    meter.loudness.feed(SIGNAL)

    with pytest.raises(ValueError, match="0 frames"):
        meter.levels()


def test_rounding() -> None:
    """To 0.01; silence and what cannot be told are null; no minus zero."""
    levels = Levels(1, -9.127, 4.0, -0.001, -math.inf)

    assert json.loads(json.dumps(levels.rounded(), allow_nan=False)) == {
        "frames": 1,
        "integrated_loudness_lufs": -9.13,
        "loudness_range_lu": 4.0,
        "true_peak_dbtp": 0.0,
        "sample_peak_dbfs": None,
    }
    assert str(levels.rounded()["true_peak_dbtp"]) == "0.0"
    assert Levels(0, None, None, -math.inf, -math.inf).rounded()["integrated_loudness_lufs"] is None


def _square(frames: int) -> Samples:
    """Return full-scale squares, 100 frames a period."""
    return np.where(np.arange(frames)[:, None] // 50 % 2, 1.0, -1.0).astype(np.float32)


ODD_SIGNALS = {
    "nothing": np.zeros((0, 1), np.float32),
    "one zero": np.zeros((1, 1), np.float32),
    "one sample": np.full((1, 1), -0.25, np.float32),
    "a few": np.full((400, 1), 0.5, np.float32),
    "silence": np.zeros((50_000, 1), np.float32),
    "constant": np.full((50_000, 1), 0.5, np.float32),
    "squares": _square(50_000),
    "denormals": np.full((50_000, 1), 1e-42, np.float32),
    "smallest": np.full((50_000, 1), 1e-45, np.float32),
    "huge": np.full((50_000, 1), 1e14, np.float32) * _square(50_000),
    "overflow": np.full((50_000, 1), 3.4e38, np.float32) * _square(50_000),
    "nan": np.full((50_000, 1), np.nan, np.float32),
}


@pytest.mark.parametrize("name", ODD_SIGNALS)
@pytest.mark.parametrize("channels", [1, 2, 6, 8])
@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 384_000])
def test_odd_signals_neither_warn_nor_give_nan(name: str, channels: int, rate_hz: int) -> None:
    """Warnings are errors in these tests; every figure is a number, -inf or None, never +inf."""
    samples = np.ascontiguousarray(np.repeat(ODD_SIGNALS[name], channels, axis=1))

    levels = levels_of(samples, rate_hz)

    assert levels.frames == len(samples)
    figures = [levels.integrated_loudness_lufs, levels.loudness_range_lu]
    figures += [levels.true_peak_dbtp, levels.sample_peak_dbfs]
    assert all(figure is None or figure < math.inf for figure in figures)  # false for NaN
    assert levels.true_peak_dbtp >= levels.sample_peak_dbfs
    json.dumps(levels.rounded(), allow_nan=False)


def test_a_sample_that_is_no_number_is_noticed() -> None:
    """Whoever takes in a file can refuse it."""
    meter = Meter(RATE_HZ, 2)
    meter.feed(SIGNAL)
    clean = meter.nonfinite
    meter.feed(np.full((1, 2), np.nan, np.float32))
    meter.levels()

    assert (clean, meter.nonfinite) == (False, True)


def test_levels_end_the_signal() -> None:
    """Nothing more can be fed; asking again gives the same."""
    meter = Meter(RATE_HZ, 2)
    meter.feed(SIGNAL)
    first = meter.levels()

    for half in (meter.loudness, meter.peak):
        with pytest.raises(ValueError, match="at its end"):
            half.feed(SIGNAL)
    assert meter.levels() == first


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros((10, 2), np.float64),
        np.zeros((10, 2), np.int16),
        np.zeros((2, 10), np.float32).T,
        np.zeros((10, 3), np.float32),
        np.zeros(10, np.float32),
    ],
    ids=["float64", "int16", "column order", "three channels", "flat"],
)
def test_other_samples_are_a_mistake(samples: Samples) -> None:
    """Nothing is converted behind the caller's back."""
    for meter in (LoudnessMeter(RATE_HZ, 2), PeakMeter(RATE_HZ, 2)):
        with pytest.raises(ValueError, match="samples must"):
            meter.feed(samples)


@pytest.mark.parametrize(("rate_hz", "channels"), [(7_999, 2), (384_001, 2), (48_000, 0), (48_000, 9)])
def test_rates_and_channels_outside_the_range_are_a_mistake(rate_hz: int, channels: int) -> None:
    """8 to 384 kHz, 1 to 8 channels."""
    with pytest.raises(ValueError, match="must be"):
        Meter(rate_hz, channels)


def test_memory_hardly_grows_with_length() -> None:
    """800 bytes a second are kept: 30 minutes more cost 1.4 MB, not the 58 MB of their samples."""
    window = varied(3, 8_000, 10.0, channels=1)

    def peak_bytes(windows: int) -> int:
        tracemalloc.start()
        meter = Meter(8_000, 1)
        for _ in range(windows):
            meter.feed(window)
        meter.levels()
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    assert peak_bytes(181) - peak_bytes(1) < 8_000_000
