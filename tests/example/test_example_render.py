"""The example's bounces: the same bytes each time, and the same samples wherever nothing was edited."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from example_release.render import CLEAN_VERSIONS, VERSIONS, render, render_rebounce
from example_release.scenario import BODY_OFFSET_FRAMES, RATE_HZ, bars_within, frame_of_bar
from example_release.session import mute_spans
from tests.support.example_short import SHORT_S

Samples = NDArray[np.int32]
BODY_FRAMES = frame_of_bar(bars_within(SHORT_S))


def _read(path: Path) -> Samples:
    """The 24-bit samples of a file as whole numbers, shape (frames, 2)."""
    samples: Samples = soundfile.read(path, dtype="int32")[0] >> 8
    return samples


def _digests(paths: dict[str, Path]) -> dict[str, str]:
    return {version: hashlib.sha256(path.read_bytes()).hexdigest() for version, path in paths.items()}


def _outside(frames: int, spans: tuple[tuple[int, int], ...]) -> NDArray[np.bool_]:
    """True for frames that no edit touches."""
    mask = np.ones(frames, dtype=bool)
    for first, end in spans:
        mask[first:end] = False
    return mask


def test_another_process_renders_the_same_bytes(
    short_takes: dict[int, dict[str, Path]], tmp_path: Path
) -> None:
    """Determinism across processes, with another hash seed."""
    call = [sys.executable, "-m", "example_release.render", str(tmp_path), "--seconds-limit", str(SHORT_S)]
    surroundings = os.environ | {"PYTHONHASHSEED": "4711"}
    root = Path(__file__).parents[2]
    subprocess.run(call, check=True, cwd=root, env=surroundings, capture_output=True)
    again = {version: tmp_path / path.name for version, path in short_takes[1].items()}
    assert _digests(again) == _digests(short_takes[1])
    assert (tmp_path / "cover.png").stat().st_size > 100_000


def test_files_are_24_bit_stereo_of_equal_length(short_takes: dict[int, dict[str, Path]]) -> None:
    """Format by ffprobe, an outside reader; lengths agree within their group."""
    lengths = {}
    for version, path in short_takes[1].items():
        call = ["ffprobe", "-v", "error", "-show_streams", "-of", "json", str(path)]
        told = subprocess.run(call, check=True, capture_output=True, text=True).stdout
        stream: dict[str, Any] = json.loads(told)["streams"][0]
        assert (stream["codec_name"], stream["sample_rate"], stream["channels"]) == ("pcm_s24le", "44100", 2)
        lengths[version] = int(stream["duration_ts"])
    dj_lengths = {lengths.pop(version) for version in ("dj", "dj-clean")}
    assert len(dj_lengths) == len(set(lengths.values())) == 1


@pytest.mark.parametrize("take", [1, 2])
@pytest.mark.parametrize(("whole", "edited"), [("explicit", "clean"), ("acapella", "acapella-clean")])
def test_an_edit_changes_nothing_outside_its_words(
    short_takes: dict[int, dict[str, Path]], take: int, whole: str, edited: str
) -> None:
    """Clean equals explicit sample for sample but for the words, and differs in every word."""
    before, after = _read(short_takes[take][whole]), _read(short_takes[take][edited])
    spans = tuple(span for span in mute_spans(take) if span[0] < BODY_FRAMES)
    assert spans
    kept = _outside(len(before), spans)
    assert np.array_equal(before[kept], after[kept])
    assert all((before[first:end] != after[first:end]).any() for first, end in spans)


def test_nothing_is_left_of_a_dropped_word(short_takes: dict[int, dict[str, Path]]) -> None:
    """In the clean acapella only echoes of other words sound under a mute: far below the voice."""
    whole, edited = _read(short_takes[2]["acapella"]), _read(short_takes[2]["acapella-clean"])
    first, end = mute_spans(2)[0]
    ramp = round(0.005 * RATE_HZ)
    dropped, kept = (
        np.sqrt(np.mean(x[first + ramp : end - ramp].astype(float) ** 2)) for x in (edited, whole)
    )
    assert dropped < 0.25 * kept


def test_two_takes_differ_in_the_clean_files_only(short_takes: dict[int, dict[str, Path]]) -> None:
    """Exactly three files change, and each by one word."""
    first, second = _digests(short_takes[1]), _digests(short_takes[2])
    assert {version for version in VERSIONS if first[version] != second[version]} == set(CLEAN_VERSIONS)
    (span,) = set(mute_spans(2)) - set(mute_spans(1))
    for version in CLEAN_VERSIONS:
        offset = BODY_OFFSET_FRAMES if version == "dj-clean" else 0
        changed = (_read(short_takes[1][version]) != _read(short_takes[2][version])).any(axis=1).nonzero()[0]
        assert span[0] <= changed.min() - offset
        assert changed.max() - offset < span[1]


@pytest.mark.parametrize(("body", "edit"), [("explicit", "dj"), ("clean", "dj-clean")])
def test_a_dj_edit_holds_the_body_bit_for_bit(
    short_takes: dict[int, dict[str, Path]], body: str, edit: str
) -> None:
    """From the stated frame on, for the whole body."""
    song, long = _read(short_takes[1][body]), _read(short_takes[1][edit])
    assert np.array_equal(long[BODY_OFFSET_FRAMES : BODY_OFFSET_FRAMES + BODY_FRAMES], song[:BODY_FRAMES])


def test_a_dj_edit_starts_with_a_drum_and_joins_without_a_drop(
    short_takes: dict[int, dict[str, Path]],
) -> None:
    """A stroke within 10 ms of the start; the bars beside each seam are within 3 dB of each other."""
    long = _read(short_takes[1]["dj"]).astype(float) / 2**23
    assert np.abs(long[: RATE_HZ // 100]).max() > 0.25
    bar = frame_of_bar(1)
    for seam in (BODY_OFFSET_FRAMES, BODY_OFFSET_FRAMES + BODY_FRAMES):
        before, after = (np.mean(part**2) for part in (long[seam - bar : seam], long[seam : seam + bar]))
        assert 10 * np.log10(after / before) > -3.0


def test_parts_add_up_to_the_mix(short_takes: dict[int, dict[str, Path]]) -> None:
    """Without a voice the mix is the instrumental; with one, the parts' sum is near it."""
    mix, band, voice = (
        _read(short_takes[1][version]).astype(float) / 2**23
        for version in ("explicit", "instrumental", "acapella")
    )
    intro = slice(0, frame_of_bar(7))
    assert np.array_equal(mix[intro], band[intro])
    assert not voice[intro].any()
    assert np.sqrt(np.mean((band + voice - mix) ** 2)) < 0.1 * np.sqrt(np.mean(mix**2))


def test_the_master_is_loud_but_not_over(short_takes: dict[int, dict[str, Path]]) -> None:
    """ffmpeg's meter, an outside judge: true peak of every version below -0.5 dBTP."""
    for version, path in short_takes[1].items():
        call = [
            "ffmpeg",
            "-hide_banner",
            "-nostats",
            "-i",
            str(path),
            "-af",
            "ebur128=peak=true",
            "-f",
            "null",
            "-",
        ]
        told = subprocess.run(call, check=True, capture_output=True, text=True).stderr
        summary = told[told.rindex("Summary:") :].split()
        assert float(summary[summary.index("Peak:") + 1]) < -0.5, version
        if version in ("explicit", "clean"):
            assert -13.0 < float(summary[summary.index("I:") + 1]) < -8.0, version


def test_fresh_dither_changes_nearly_every_sample_by_little(
    short_takes: dict[int, dict[str, Path]], tmp_path: Path
) -> None:
    """Two seeds agree almost nowhere, yet each stays within 1.5 steps of the undithered bounce."""
    plain = _read(short_takes[1]["explicit"])
    runs = [
        _read(
            render_rebounce(
                "dither", tmp_path / str(seed), versions=["explicit"], seconds_limit=SHORT_S, seed=seed
            )["explicit"]
        )
        for seed in (1, 2)
    ]
    assert np.abs(runs[0] - plain).max() <= 2  # triangular, under one step each way, then rounded
    assert (runs[0] != runs[1]).any(axis=1).mean() > 0.5


def test_a_bus_compressor_spreads_an_edit(tmp_path: Path) -> None:
    """A word dropped before the compressor changes more than a second after it."""
    bounced = {
        version: _read(path)
        for version, path in render_rebounce(
            "bus-compressor", tmp_path, versions=["explicit", "clean"], seconds_limit=SHORT_S
        ).items()
    }
    first, end = mute_spans(1)[0]
    changed = (bounced["explicit"] != bounced["clean"]).any(axis=1).nonzero()[0]
    assert first - 64 <= changed.min() < end
    assert changed.max() > end + RATE_HZ


def test_callers_mistakes_are_named(tmp_path: Path) -> None:
    """A version, take or re-bounce that does not exist."""
    with pytest.raises(ValueError, match="no such version: demo"):
        render(tmp_path, versions=["demo"])
    with pytest.raises(ValueError, match="take"):
        render(tmp_path, take=3)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="no such re-bounce"):
        render_rebounce("tape", tmp_path)  # type: ignore[arg-type]
