"""``relkit measure``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from relkit.cli.options import AsJson, home
from relkit.cli.output import as_json, decimal, length, plural, say
from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.release.measure import Measured


def measure(
    files: Annotated[list[Path], typer.Argument(metavar="FILE ...", help="Audio files.")],
    tempo: Annotated[
        float | None, typer.Option(metavar="BPM", help="What the tempo is said to be; does the music agree?")
    ] = None,
    beats: Annotated[int, typer.Option(metavar="N", help="Beats in a bar.")] = 4,
    json: AsJson = False,
) -> None:
    """Measure audio files: loudness, peaks, tempo, key, and what may be wrong with a bounce.

    Numbers only; nothing is judged, and nothing is read from tags. Exit codes: 0
    done, 2 wrong usage, 3 a file that cannot be read or is no audio.
    """
    from relkit.release.measure import measure as measure_files

    answers = measure_files(files, home(), tempo_bpm=tempo, beats_per_bar=beats)
    if json:
        as_json(answers)
        return
    for answer in answers:
        _print(answer)


def _print(answer: Measured) -> None:
    say(shown(answer.path))
    form = f"{answer.container}, {answer.sample_format}" if answer.sample_format else answer.container
    if answer.frames and answer.sample_rate_hz and answer.channels:
        say(
            f"  sound     {form}, {answer.sample_rate_hz} Hz, {plural(answer.channels, 'channel')}, "
            f"{length(answer.frames, answer.sample_rate_hz)}"
        )
    numbers = answer.numbers
    if numbers is None:
        say("  this kind of audio is kept, not measured")
        return
    say(
        f"  loudness  {decimal(numbers['integrated_loudness_lufs'], ' LUFS')}, "
        f"range {decimal(numbers['loudness_range_lu'], ' LU')}, "
        f"short-term up to {decimal(numbers['max_short_term_lufs'], ' LUFS')}, "
        f"momentary up to {decimal(numbers['max_momentary_lufs'], ' LUFS')}",
        f"  peak      true {decimal(numbers['true_peak_dbtp'], ' dBTP')}, "
        f"sample {decimal(numbers['sample_peak_dbfs'], ' dBFS')}",
        f"  tempo     {_tempo(numbers)}",
        f"  key       {_key(numbers)}",
    )
    for remark in _remarks(numbers):
        say(f"  note      {remark}")


def _tempo(numbers: dict[str, Any]) -> str:
    kind, bpm = numbers["tempo"], decimal(numbers["tempo_bpm"], " BPM")
    if kind == "none":
        return "no steady beat found"
    found = f"{bpm}, confidence {decimal(numbers['tempo_confidence'])}"
    if kind == "constant":
        found += f", grid off by {numbers['tempo_error_at_last_beat_ms']} ms at the last beat"
    elif kind == "live":
        found += (
            f", live: {decimal(numbers['tempo_low_bpm'])} to {decimal(numbers['tempo_high_bpm'], ' BPM')}"
        )
    else:
        places = ", ".join(f"{decimal(bpm)} from {at:.1f} s" for at, bpm in numbers["tempo_sections"])
        found += f", changes: {places}"
    agreement = numbers["tempo_agreement"]
    return f"{found}; declared: {agreement}" if agreement else found


def _key(numbers: dict[str, Any]) -> str:
    if numbers["key"] is None:
        return "none found"
    runner_up = f", else {numbers['key_runner_up']}" if numbers["key_runner_up"] else ""
    return f"{numbers['key']}, confidence {decimal(numbers['key_confidence'])}{runner_up}"


def _remarks(numbers: dict[str, Any]) -> list[str]:
    """Put into words only what is out of the ordinary."""
    found = []
    if numbers["clipped_runs"]:
        first = ", ".join(f"{at:.3f} s" for at in numbers["first_clipped_s"][:3])
        found.append(
            f"{plural(numbers['clipped_runs'], 'clipped run')}, the longest "
            f"{plural(numbers['longest_clipped_run_frames'], 'frame')}, first at {first}"
        )
    if any(abs(offset) > 0.001 for offset in numbers["dc_offsets"]):
        found.append(
            f"DC offset {', '.join(f'{offset:+.4f}' for offset in numbers['dc_offsets'])} of full scale"
        )
    if numbers["dead_channels"]:
        found.append(f"channel {', '.join(str(channel + 1) for channel in numbers['dead_channels'])} is dead")
    if numbers["dual_mono"]:
        found.append("both channels are the same")
    if numbers["mono_loss_db"] is not None and numbers["mono_loss_db"] > 6:
        found.append(f"summed to mono it loses {decimal(numbers['mono_loss_db'], ' dB')}")
    if numbers["low_pass_hz"]:
        found.append(f"nothing above {numbers['low_pass_hz']} Hz, as after a lossy codec")
    for name, where in (("leading_silence_s", "beginning"), ("trailing_silence_s", "end")):
        if numbers[name] >= 1:
            found.append(
                f"{numbers[name]:.3f} s under {numbers['silence_threshold_dbfs']:.0f} dBFS at the {where}"
            )
    return found
