"""K-weighting against the published table and a float64 filter of another make."""

from __future__ import annotations

import numpy as np
import pytest

from relkit.measure.kweighting import SLAB_FRAMES, KWeighting, System, k_weighting
from tests.support.measuring import varied, weighted

# ITU-R BS.1770-5 (11/2023), Annex 1, Tables 1 and 2: b0, b1, b2 and 1, a1, a2 at 48 kHz.
SHELF_B = (1.53512485958697, -2.69169618940638, 1.19839281085285)
SHELF_A = (1.0, -1.69065929318241, 0.73248077421585)
HIGH_PASS_B = (1.0, -2.0, 1.0)
HIGH_PASS_A = (1.0, -1.99004745483398, 0.99007225036621)

# a1, a2 of shelf and high-pass by the bilinear transform; checked values handed to the project.
OTHER_RATES = {
    44_100: ((-1.66365511325602, 0.712595428073225), (-1.98916967362980, 0.989199035787039)),
    88_200: ((-1.83091998796233, 0.844142261087853), (-1.99457751545034, 0.994584875878055)),
    96_000: ((-1.84460946989011, 0.855843322930641), (-1.99501754472472, 0.995023759040923)),
}


def _polynomials(system: System) -> tuple[np.ndarray, np.ndarray]:
    """Return the numerator and denominator of a one-in, one-out system's transfer function."""
    gain = float(system.d[0, 0])
    return gain * np.poly(system.a - system.b @ system.c / gain), np.poly(system.a)


def test_at_48_khz_the_filter_is_the_published_one() -> None:
    """Both sections in cascade multiply out to the polynomials of the two tables."""
    numerator, denominator = _polynomials(k_weighting(48_000))

    # The table has 14 decimals; four double roots near 1 cost some of them on the way here.
    assert numerator == pytest.approx(np.polymul(SHELF_B, HIGH_PASS_B), abs=1e-12)
    assert denominator == pytest.approx(np.polymul(SHELF_A, HIGH_PASS_A), abs=1e-12)


@pytest.mark.parametrize("rate_hz", OTHER_RATES)
def test_at_other_rates_the_poles_are_the_usual_ones(rate_hz: int) -> None:
    """The bilinear transform of the same analogue filters."""
    shelf, high_pass = OTHER_RATES[rate_hz]

    _, denominator = _polynomials(k_weighting(rate_hz))

    assert denominator == pytest.approx(np.polymul((1.0, *shelf), (1.0, *high_pass)), abs=1e-12)


# Printed values: K-weighting gain at 48 kHz, dB, from the tables by frequency response.
@pytest.mark.parametrize(
    ("hz", "gain_db"),
    [(20, -13.2754), (50, -3.9341), (100, -1.1335), (200, -0.2649), (997, 0.6910), (10_000, 4.0419)],
)
def test_the_gain_at_a_frequency(hz: float, gain_db: float) -> None:
    """The response of the state space itself, on the unit circle."""
    system = k_weighting(48_000)
    z = np.exp(2j * np.pi * hz / 48_000)

    response = system.c @ np.linalg.inv(z * np.eye(4) - system.a) @ system.b + system.d

    assert 20 * np.log10(abs(response[0, 0])) == pytest.approx(gain_db, abs=5.1e-5)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 44_100, 48_000, 192_000, 384_000])
@pytest.mark.parametrize("offset", [0.0, 0.9])
def test_blocks_of_float32_follow_a_float64_filter(rate_hz: int, offset: float) -> None:
    """Within float32's own step for full scale, also with a large offset and over slab borders."""
    samples = varied(rate_hz, rate_hz, 2.5 * SLAB_FRAMES / rate_hz, channels=2) * np.float32(0.1)
    samples = np.resize(samples, (2 * SLAB_FRAMES, 2)) + np.float32(offset)
    filter_ = KWeighting(rate_hz, channels=2)

    slabs = [filter_.weigh(slab).copy() for slab in np.split(samples, 2)]

    error = np.abs(np.concatenate(slabs, axis=1).T - weighted(samples, rate_hz)).max()
    assert error < 1e-6  # -120 dBFS; a float32 of 1.0 has steps of 1.2e-7, a block sums 32 products


def test_silence_lets_the_filter_forget() -> None:
    """No tail of denormals that slow down everything after it."""
    filter_ = KWeighting(192_000, channels=1)
    filter_.weigh(np.ones((SLAB_FRAMES, 1), np.float32))
    silence = np.zeros((SLAB_FRAMES, 1), np.float32)

    filter_.weigh(silence)  # 0.34 s: the high-pass decays to about 1e-36

    assert not filter_.state.any()
    assert not filter_.weigh(silence).any()
