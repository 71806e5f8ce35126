"""What a comparison hears, on pairs whose truth is known because they were made so.

Sources
    [DITHER]   S. P. Lipshitz, R. A. Wannamaker and J. Vanderkooy, "Quantization and dither: a
               theoretical survey", J. Audio Eng. Soc. 40(5), 1992: the whole error of a quantiser with
               triangular dither has the power LSB**2 / 4, whatever the signal
"""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pytest
import scipy.signal
import soxr

from relkit.measure.align import align
from relkit.measure.comparison import compare
from relkit.measure.excerpts import recording
from relkit.measure.overview import BANDS_HZ, character
from relkit.measure.rates import AtRate
from relkit.measure.underneath import underneath
from tests.support.hearing_pairs import compressor_gain, dithered, pair
from tests.support.hearing_scores import edges_within, score
from tests.support.measuring import tone
from tests.support.rendered_pairs import RATE_HZ, Samples, delayed, limited, shelf, song
from tests.support.stores import ROOT

PAIRS = 24  # the first of those in tests/bench/hearing.py
LEVEL = np.float32(0.36)
BAR = 86_754  # frames of a bar of the example song


def mix() -> Samples:
    """Return the example song, unmastered, with room above it."""
    return song().full * LEVEL


def test_the_edits_of_generated_pairs_are_heard_where_they_are_and_nowhere_else() -> None:
    """Every edit, every verdict; no false region; all but one edge in a hundred within 5 ms (MP3: 10 ms)."""
    wrong, near = [], []
    for seed in range(PAIRS):
        made = pair(seed)
        scored = score(made, compare(made.old, made.new, RATE_HZ, lossy="both mp3" in made.done))
        near.extend(edges_within(made, scored))
        if scored.missed or scored.false or not scored.verdict:
            wrong.append((seed, sorted(made.done), scored))
    assert wrong == []
    assert sum(near) >= 0.99 * len(near)


def test_equal_samples_are_the_same_whatever_array_holds_them() -> None:
    """Precision and number of dimensions do not matter."""
    samples = mix()

    found = compare(samples[:, 0], samples[:, :1].astype(np.float64), RATE_HZ)

    assert found.verdicts == ("same samples",)
    assert (found.exact, found.regions, found.residual_dbfs) == (True, (), -math.inf)


def test_another_dither_is_no_region_and_its_level_is_told() -> None:
    """Both bounces have dither of their own: LSB**2 / 4 twice."""
    rng = np.random.default_rng(3)
    old, new = (dithered(mix(), 16, rng) for _ in range(2))

    found = compare(old, new, RATE_HZ)

    published_db = 10 * math.log10(2 * (2.0**-15) ** 2 / 4)  # [DITHER]
    assert found.verdicts == ("noise",)
    assert found.regions == ()
    assert found.residual_dbfs == pytest.approx(published_db, abs=0.2)
    assert (found.old_bits, found.new_bits) == (16, 16)


def test_a_click_of_ten_samples_is_found_to_the_sample() -> None:
    """In otherwise equal bounces nothing is too short, and all else is proven to be equal."""
    old = dithered(mix(), 24, np.random.default_rng(1))
    new = old.copy()
    new[800_000:800_010] += np.float32(0.01)

    found = compare(old, new, RATE_HZ)

    (region,) = found.regions
    assert (region.old_first, region.old_end, region.kind) == (800_000, 800_010, "added")
    assert found.exact


def test_a_mute_before_a_compressor_has_a_core_and_a_tail() -> None:
    """The tail is where the gains of the compressor differ, and so is its level."""
    whole, muted = mix(), mix()
    first, end = 15 * RATE_HZ, 16 * RATE_HZ
    muted[first:end] = song().music[first:end] * np.float32(0.3) * LEVEL
    gains = [
        compressor_gain(each, attack_s=0.01, release_s=0.5, ratio=3, drive_db=16) for each in (whole, muted)
    ]
    bounces = [
        each * gain[:, None].astype(np.float32) for each, gain in zip((whole, muted), gains, strict=True)
    ]

    found = compare(bounces[0], bounces[1], RATE_HZ)

    (region,) = found.regions
    change = (gains[1] / gains[0] - 1)[end : end + RATE_HZ // 20]
    assert abs(region.old_first - first) < 0.005 * RATE_HZ
    assert abs(region.old_end - end) < 0.005 * RATE_HZ
    assert region.tail_end - region.old_end > 0.2 * RATE_HZ
    assert region.tail_db == pytest.approx(10 * math.log10(np.mean(change**2)), abs=2)  # its loudest 50 ms
    assert region.tail_db < region.difference_db


def test_a_bar_put_in_and_a_bar_cut_out_are_one_region_each() -> None:
    """What follows is not different, only elsewhere; both are placed to a sample or two."""
    old = mix()
    at, out = 5 * BAR, 9 * BAR
    new = np.concatenate([old[:at], old[2 * BAR : 3 * BAR], old[at:out], old[out + BAR :]])

    found = compare(old, new, RATE_HZ)

    put_in, cut_out = found.regions
    assert (put_in.kind, cut_out.kind) == ("inserted", "removed")
    places = (put_in.old_first, put_in.old_end, put_in.new_first, put_in.new_end)
    assert places == pytest.approx((at, at, at, at + BAR), abs=2)  # two bars may begin with equal samples
    places = (cut_out.old_first, cut_out.old_end, cut_out.new_first, cut_out.new_end)
    assert places == pytest.approx((out, out + BAR, out + BAR, out + BAR), abs=2)
    assert [stretch.offset for stretch in found.stretches] == [0, BAR, 0]


def test_silence_before_and_after_is_an_offset_and_a_length_but_no_edit() -> None:
    """Sound before or after is one: cut off here."""
    old = mix()

    padded = compare(old, np.pad(old, ((700, 900), (0, 0))), RATE_HZ)
    cut = compare(old, old[RATE_HZ:], RATE_HZ)

    assert (padded.verdicts, padded.offset_frames) == (("offset", "length"), 700)
    (region,) = cut.regions
    assert (region.kind, region.old_first, region.old_end, cut.offset_frames) == (
        "removed",
        0,
        RATE_HZ,
        -RATE_HZ,
    )


def test_a_mute_is_found_through_another_sample_rate() -> None:
    """Converted by another library; the place is told in frames of the old rate."""
    new = soxr.resample(mix(), RATE_HZ, 96_000).astype(np.float32)
    new[400_000:420_000] = 0

    found = compare(mix(), new, RATE_HZ, new_rate_hz=96_000)

    (region,) = found.regions
    assert {"sample rate", "edited"} <= set(found.verdicts)
    assert region.kind == "muted"
    assert abs(region.old_first / RATE_HZ - 400_000 / 96_000) < 0.005
    assert abs(region.old_end / RATE_HZ - 420_000 / 96_000) < 0.005


def test_another_master_is_changed_throughout_and_no_list_of_edits() -> None:
    """The overview says how: 11 dB louder, treble up, dynamics down."""
    master = limited(shelf(mix() * np.float32(3.5), 6000, 3, high=True), 0.7)

    found = compare(mix(), master, RATE_HZ)

    assert found.verdicts == ("changed throughout", "gain")
    assert found.overview is not None
    old, new = found.overview
    treble, middle = BANDS_HZ.index(16_000), BANDS_HZ.index(500)
    rise_db = [after - before for before, after in zip(old.bands_db, new.bands_db, strict=True)]
    spectra = [
        scipy.signal.welch(each, RATE_HZ, nperseg=8192, axis=0)[1].mean(axis=1) for each in (mix(), master)
    ]
    hz = np.fft.rfftfreq(8192, 1 / RATE_HZ)
    for band in (treble, middle):
        inside = (hz >= BANDS_HZ[band] / math.sqrt(2)) & (hz < BANDS_HZ[band] * math.sqrt(2))
        reference_db = 10 * math.log10(spectra[1][inside].sum() / spectra[0][inside].sum())
        assert rise_db[band] == pytest.approx(reference_db, abs=0.2)
    assert rise_db[treble] - rise_db[middle] > 1.5
    assert new.crest_db < old.crest_db - 1


def test_an_equaliser_alone_is_told_from_a_codec() -> None:
    """A filter does the same to all windows: 1 dB above 6 kHz is a change of balance, not noise."""
    found = compare(mix(), shelf(mix(), 6000, 1, high=True), RATE_HZ)

    assert found.verdicts == ("changed throughout",)
    assert found.regions == ()


def test_a_delay_below_a_sample_is_an_offset() -> None:
    """0.3 frames, made in the spectrum."""
    found = compare(mix(), delayed(mix(), 0.3)[64 : 64 + len(mix())], RATE_HZ)

    assert found.verdicts == ("offset",)
    assert found.offset_fraction == pytest.approx(0.3, abs=0.02)


@pytest.mark.parametrize(
    ("old", "new", "verdicts"),
    [
        (np.zeros((0, 2)), np.zeros((0, 2)), ("same samples",)),
        (np.zeros((90_000, 2)), np.zeros((50_000, 2)), ("length",)),
        (np.zeros((90_000, 2)), mix()[:90_000], ("another recording",)),
        (mix(), mix()[::-1].copy(), ("another recording",)),
        (mix(), mix().mean(axis=1), ("channels",)),
        (mix(), mix() * np.float32(-0.5), ("gain", "polarity")),
    ],
    ids=["nothing", "silence", "silence and sound", "another song", "mono", "upside down"],
)
def test_what_is_told_of_whole_recordings(old: Samples, new: Samples, verdicts: tuple[str, ...]) -> None:
    """Without any edit."""
    found = compare(old, new, RATE_HZ)

    assert found.verdicts == verdicts
    assert found.regions == ()


def test_samples_that_are_no_numbers_are_a_change_and_do_no_harm() -> None:
    """They count as silence."""
    new = mix()
    new[100_000:100_200] = np.nan

    (region,) = compare(mix(), new, RATE_HZ).regions

    assert (region.kind, region.old_first, region.old_end) == ("muted", 100_000, 100_200)


def test_the_instrumental_is_found_at_an_edit() -> None:
    """Alone in a swap; not alone where the word sounds, or sounds backwards; not there in a mute."""
    whole, music = mix(), song().music * LEVEL
    first, end = 900_000, 940_000
    backwards = whole.copy()
    backwards[first:end] += (whole - music)[first:end][::-1] - (whole - music)[first:end]
    heard = {
        name: underneath(recording(each), first, end, recording(music), first, RATE_HZ)
        for name, each in {"swap": music, "word": whole, "backwards": backwards, "mute": whole * 0}.items()
    }

    assert {name: each and (each.sounds, each.alone) for name, each in heard.items()} == {
        "swap": (True, True),
        "word": (True, False),
        "backwards": (True, False),
        "mute": (False, False),
    }
    assert underneath(recording(whole), first, end, recording(music * 0), first, RATE_HZ) is None


@pytest.mark.parametrize(("from_hz", "to_hz"), [(48_000, 44_100), (44_100, 48_000), (96_000, 44_100)])
def test_a_recording_at_another_rate_is_the_same_sound(from_hz: int, to_hz: int) -> None:
    """A tone stays that tone, at its level and in its place, however the reading is cut."""
    converted = AtRate(recording(tone(from_hz, 1.0, [-6.0, -12.0], hz=997.0)), from_hz, to_hz)
    expected = tone(to_hz, 1.0, [-6.0, -12.0], hz=997.0)

    whole = converted.read(0, converted.frames)
    pieces = np.concatenate([converted.read(at, min(at + 1000, to_hz)) for at in range(0, to_hz, 1000)])

    assert converted.frames == to_hz
    inside = slice(500, -500)  # at its ends the tone begins and ends at once
    assert float(np.abs(whole - expected)[inside].max()) < 10 ** (-80 / 20)
    assert np.allclose(whole, pieces, atol=1e-6)


def test_the_character_of_a_tone() -> None:
    """All in its own octave at its own level; a sine's crest is 3.01 dB; equal channels have no width."""
    found = character(tone(48_000, 5.0, [-20.0, -20.0]), 48_000)

    octave = BANDS_HZ.index(1000)
    assert found.bands_db[octave] == pytest.approx(-20, abs=0.1)
    assert max(level for at, level in enumerate(found.bands_db) if at != octave) < -80
    assert found.crest_db == pytest.approx(10 * math.log10(2), abs=0.01)
    assert found.width_db == -math.inf


def test_nothing_of_a_signal_library_is_imported() -> None:
    """The start of a command must not wait for it."""
    code = (
        "import sys, numpy as np; from relkit.measure.comparison import compare; "
        "x = np.random.default_rng(1).standard_normal((99999, 2)) * .1; y = x.copy(); y[5000:6000] = 0; "
        "assert compare(x, y, 44100).regions; assert 'scipy.signal' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT)


def test_a_rate_outside_the_range_is_the_callers_mistake() -> None:
    """As in every meter."""
    with pytest.raises(ValueError, match="rate_hz is 7999"):
        compare(mix(), mix(), 7_999)
    with pytest.raises(ValueError, match="hardly a common factor"):
        compare(mix(), mix(), 44_100, new_rate_hz=44_101)


def test_lining_up_agrees_with_the_path() -> None:
    """Both find an offset and a level of their own account."""
    other = np.pad(mix() * np.float32(0.5), ((12_345, 0), (0, 0)))

    found, alignment = compare(mix(), other, RATE_HZ), align(mix(), other, RATE_HZ)

    assert found.offset_frames == alignment.offset_frames == 12_345
    assert found.gain_db == pytest.approx(20 * math.log10(0.5), abs=1e-4)
