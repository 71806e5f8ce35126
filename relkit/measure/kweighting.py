"""K-weighting as a few matrix products.

A recursive filter goes sample by sample, which an interpreter does slowly.
Written as a state space it can go block by block: with the state known at the
start of every block, all blocks are one matrix product (``_Stage``). The states
at the starts of the blocks are themselves the output of a smaller recursive
system, whose "samples" are what each block adds to the state; so the same
operation is applied again, to blocks of blocks, until one block is left.

Conventions
    state      two per section, as trapezoidal integrators see the signal: they stay as small
               as the signal at every rate, where the states of a direct form grow with
               the square of rate / 38 Hz and eat up float32 (and, raised to a block's power,
               float64 too)
    precision  samples in and out float32, states float64

Sources
    [BS1770]   Recommendation ITU-R BS.1770-5 (11/2023), Annex 1, Tables 1 and 2 (48 kHz)
    Other rates: bilinear transform of the analogue filters that give those tables; the
    constants are the ones in libebur128. As there, the high-pass numerator stays 1, -2, 1 at
    every rate, so that common meters agree with this one; against 48 kHz a 997 Hz tone then
    reads +0.003 dB at 44.1 kHz, -0.017 dB at 96 kHz and -0.027 dB at 192 kHz.

Not here: energies, gates and loudness (``relkit.measure.loudness``).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from relkit.measure.slabs import BATCH_ROWS, Samples

Matrix = npt.NDArray[np.float64]

SHELF_HZ, SHELF_Q = 1681.974450955533, 0.7071752369554196
SHELF_DB, SHELF_MIDDLE = 3.999843853973347, 0.4996667741545416
HIGH_PASS_HZ, HIGH_PASS_Q = 38.13547087602444, 0.5003270373238773

BLOCK_SIZES = (32, 8, 16, 16)  # samples in a block, blocks in a block of blocks, ...
SLAB_FRAMES = math.prod(BLOCK_SIZES)  # 65,536
STATES = 4


class System(NamedTuple):
    """A linear system: ``next = a @ state + b @ x``, ``y = c @ state + d @ x``."""

    a: Matrix
    b: Matrix
    c: Matrix
    d: Matrix


def k_weighting(rate_hz: int) -> System:
    """Return the two sections of K-weighting in cascade, one sample in, one out.

    Args:
        rate_hz: 8000 to 384000.

    Source:
        [BS1770] Annex 1, Tables 1 and 2.
    """
    high = 10 ** (SHELF_DB / 20)
    shelf = _section(rate_hz, SHELF_HZ, SHELF_Q, (high, high**SHELF_MIDDLE, 1.0))
    pass_ = _section(rate_hz, HIGH_PASS_HZ, HIGH_PASS_Q, (1.0, 0.0, 0.0))
    gain = _denominator(rate_hz, HIGH_PASS_HZ, HIGH_PASS_Q)  # makes the numerator 1, -2, 1
    return System(
        a=np.block([[shelf.a, np.zeros((2, 2))], [pass_.b @ shelf.c, pass_.a]]),
        b=np.concatenate([shelf.b, pass_.b @ shelf.d]),
        c=gain * np.concatenate([pass_.d @ shelf.c, pass_.c], axis=1),
        d=gain * pass_.d @ shelf.d,
    )


def _denominator(rate_hz: int, corner_hz: float, q: float) -> float:
    """Return what a bilinear second-order section divides its coefficients by."""
    k = math.tan(math.pi * corner_hz / rate_hz)
    return 1 + k / q + k * k


def _section(rate_hz: int, corner_hz: float, q: float, gains: tuple[float, float, float]) -> System:
    """Return a bilinear section with these gains for what lies above, at and below its corner."""
    k = math.tan(math.pi * corner_hz / rate_hz)
    d = _denominator(rate_hz, corner_hz, q)
    above, at, below = gains
    # The band-pass and low-pass outputs of two trapezoidal integrators, from their states and x.
    band = np.array([[1.0, -k, k]]) / d
    low = np.array([[k, 1 + k / q, k * k]]) / d
    x = np.array([[0.0, 0.0, 1.0]])
    following = np.concatenate([2 * band - [[1.0, 0, 0]], 2 * low - [[0, 1.0, 0]]])
    y = above * (x - band / q - low) + at * band / q + below * low
    return System(following[:, :2], following[:, 2:], y[:, :2], y[:, 2:])


class _Stage:
    """A linear system run over rows of ``size`` steps each; rows are steps of the next stage."""

    def __init__(
        self, system: System, sizes: tuple[int, ...], channels: int, dtype: type[np.floating]
    ) -> None:
        size, wider = sizes[0], sizes[1:]
        steps_in, self._onward, whole = _over_block(system, size)
        rows = math.prod(wider)
        self._to_state = steps_in.astype(dtype)
        self._whole = whole.astype(dtype)
        row = np.zeros((channels, rows, len(whole)), dtype)
        self.inputs = row[:, :, :-STATES]
        self._start = row[:, :, -STATES:]
        self._out = np.empty((channels, rows, whole.shape[1]), dtype)
        batch = math.gcd(channels * rows, BATCH_ROWS)
        self._batches = row.reshape(-1, batch, row.shape[2])
        self._out_batches = self._out.reshape(-1, batch, self._out.shape[2])
        eye = np.eye(STATES)
        step = System(self._onward.T, eye, eye, np.zeros((STATES, STATES)))
        self._next = _Stage(step, wider, channels, np.float64) if wider else None

    def run(self, state: Matrix) -> tuple[npt.NDArray[np.floating], Matrix]:
        """Run over ``inputs``.

        Args:
            state: before the first row, shape (channels, 1, 4).

        Returns:
            The outputs, shape (channels, rows, size * outputs), in a buffer that the next run
            reuses, and the state after the last row.
        """
        added = (self._batches[:, :, :-STATES] @ self._to_state).reshape(self._start.shape)
        if self._next is None:
            self._start[:] = state
            following = state @ self._onward + added
        else:
            self._next.inputs[:] = added.reshape(self._next.inputs.shape)
            starts, following = self._next.run(state)
            self._start[:] = starts.reshape(self._start.shape)
        np.matmul(self._batches, self._whole, out=self._out_batches)
        return self._out, following


def _over_block(system: System, size: int) -> tuple[Matrix, Matrix, Matrix]:
    """Return three matrices for rows of ``size`` steps.

    From inputs to what they add to the state; from state to state; from inputs and state to outputs.
    """
    a, b, c, d = system
    ins, outs = b.shape[1], c.shape[0]
    powers = [np.eye(len(a))]
    for _ in range(size):
        powers.append(powers[-1] @ a)
    response = [d, *(c @ power @ b for power in powers[: size - 1])]
    whole = np.zeros((size * ins + len(a), size * outs))
    for step in range(size):
        columns = slice(step * outs, (step + 1) * outs)
        for since in range(step + 1):
            first = (step - since) * ins
            whole[first : first + ins, columns] = response[since].T
        whole[size * ins :, columns] = (c @ powers[step]).T
    steps_in = np.concatenate([(powers[size - 1 - step] @ b).T for step in range(size)])
    return steps_in, powers[size].T, whole


class KWeighting:
    """K-weights a signal, slab by slab, each channel by itself.

    Args:
        rate_hz: 8000 to 384000.
        channels: 1 to 8.

    Attributes:
        state: all that the filters remember of the signal so far, shape (channels, 1, 4);
            never changed in place, so an earlier one can be put back.

    Source:
        [BS1770] Annex 1, Figure 1.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._stage = _Stage(k_weighting(rate_hz), BLOCK_SIZES, channels, np.float32)
        self.state = np.zeros((channels, 1, STATES))

    def weigh(self, slab: Samples) -> Samples:
        """Return the slab weighted.

        Args:
            slab: shape (``SLAB_FRAMES``, channels).

        Returns:
            Shape (channels, ``SLAB_FRAMES``), in a buffer that the next call reuses.
        """
        inputs = self._stage.inputs
        for channel, rows in enumerate(inputs):
            rows[:] = slab[:, channel].reshape(rows.shape)
        weighted, state = self._stage.run(self.state)
        # Below -600 dBFS nothing is heard, but a silent tail would decay into slow denormals.
        self.state = np.where(np.abs(state) < 1e-30, 0.0, state)
        return weighted.reshape(len(inputs), SLAB_FRAMES)
