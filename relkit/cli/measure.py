"""``relkit measure``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from relkit.cli.edge import tell
from relkit.cli.options import AsJson, home
from relkit.cli.output import as_json, decimal, length, plural, progress, say
from relkit.filenames import shown

if TYPE_CHECKING:
    from relkit.release.declared import Declared
    from relkit.release.measure import Measured


def measure(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE ...",
            help="Audio files.",
            readable=False,  # whether it can be read is found out, and told, where it is read
        ),
    ],
    tempo: Annotated[
        float | None,
        typer.Option(
            metavar="BPM",
            help="What the tempo is said to be; does the music agree? By default the release sheet's.",
        ),
    ] = None,
    beats: Annotated[
        int | None, typer.Option(metavar="N", help="Beats in a bar; by default the release sheet's, or 4.")
    ] = None,
    json: AsJson = False,
) -> None:
    """Measure audio files: loudness, peaks, tempo, key, and what may be wrong with a bounce.

    Numbers only; nothing is judged, and nothing is read from tags. A file that lies
    in a release folder is compared with the tempo and key of its release sheet. A bad
    file stops no other. Exit codes: 0 done, 2 wrong usage, 3 a file that cannot be
    read or is no audio.
    """
    from relkit.release.measure import measure as measure_files

    with progress(json) as telling:
        answers = measure_files(files, home(), tempo_bpm=tempo, beats_per_bar=beats, progress=telling)
    if json:
        as_json([answer.document() for answer in answers])
    else:
        for answer in answers:
            if answer.error is None:
                _print(answer)
    bad = [answer.error for answer in answers if answer.error is not None]
    sys.stdout.flush()
    for error in bad[:-1]:
        tell(str(error), error.hint)
    if bad:
        raise bad[-1]


def _print(answer: Measured) -> None:
    say(shown(answer.path))
    form = f"{answer.container}, {answer.sample_format}" if answer.sample_format else str(answer.container)
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
        f"  peak      true {decimal(numbers['true_peak_dbtp'], ' dBTP')}{_at(numbers['true_peak_at_s'])}, "
        f"sample {decimal(numbers['sample_peak_dbfs'], ' dBFS')}",
    )
    if numbers["level_difference_db"] is not None:
        loss_db = numbers["mono_loss_db"]
        say(
            f"  stereo    correlation {decimal(numbers['correlation'])}, "
            f"left {numbers['level_difference_db']:+.2f} dB against right, "
            f"mono sum loses {'everything' if loss_db is None else decimal(loss_db, ' dB')}"
        )
    say(
        f"  tempo     {_tempo(numbers, answer.declared)}",
        f"  key       {_key(numbers, answer.declared)}",
    )
    for remark in _remarks(numbers, answer):
        say(f"  note      {remark}")


def _at(time_s: float | None) -> str:
    """Write where something is."""
    return "" if time_s is None else f" at {int(time_s // 60)}:{time_s % 60:06.3f}"


def _tempo(numbers: dict[str, Any], declared: Declared) -> str:
    kind, bpm = numbers["tempo"], decimal(numbers["tempo_bpm"], " BPM")
    if kind == "none":
        return f"no steady beat found{_declared_tempo(numbers, declared)}"
    found = f"{bpm}, confidence {decimal(numbers['tempo_confidence'])}"
    if kind == "constant":
        found += f", grid off by {numbers['tempo_error_at_last_beat_ms']} ms at the last beat"
    elif kind == "live":
        found += (
            f", live: {decimal(numbers['tempo_low_bpm'])} to {decimal(numbers['tempo_high_bpm'], ' BPM')}"
        )
    else:
        places = ", ".join(f"{decimal(bpm)} from {at:.1f} s" for at, bpm in numbers["tempo_sections_s_bpm"])
        found += f", changes: {places}"
    return found + _declared_tempo(numbers, declared)


_AGREEMENTS = {
    "agrees": "the music agrees",
    "half": "half of what is heard",
    "double": "twice what is heard",
    "quarter": "a quarter of what is heard",
    "quadruple": "four times what is heard",
    "third": "a third of what is heard",
    "triple": "three times what is heard",
    "two-thirds": "two thirds of what is heard",
    "three-halves": "three halves of what is heard",
    "contradicts": "the music contradicts it",
    "unknown": "the music does not say",
}


def _declared_tempo(numbers: dict[str, Any], declared: Declared) -> str:
    """Say what was declared, by whom, and what the music says to it."""
    agreement = numbers["tempo_agreement"]
    if agreement is None or declared.tempo_bpm is None:
        return ""
    who = "the release sheet says" if declared.by == "sheet" else "declared"
    drift_ms = numbers["tempo_drift_ms"]
    drift = f", {drift_ms:+.1f} ms at the end" if drift_ms is not None and agreement == "contradicts" else ""
    return f"; {who} {declared.tempo_bpm:g} BPM: {_AGREEMENTS[agreement]}{drift}"


def _key(numbers: dict[str, Any], declared: Declared) -> str:
    said = f"; the release sheet says {declared.key}" if declared.key else ""
    if numbers["key"] is None:
        return f"none found{said}"
    runner_up = f", else {numbers['key_runner_up']}" if numbers["key_runner_up"] else ""
    return f"{numbers['key']}, confidence {decimal(numbers['key_confidence'])}{runner_up}{said}"


def _remarks(numbers: dict[str, Any], answer: Measured) -> list[str]:
    """Put into words only what is out of the ordinary."""
    found = []
    if answer.declared.sheet_fault:
        found.append(f"the release sheet could not be asked: {shown(answer.declared.sheet_fault)}")
    if numbers["nonfinite"]:
        found.append("some samples are no numbers, infinite or absurdly large; they were counted as 0")
    if numbers["clipped_runs"]:
        first = ", ".join(f"{at:.3f} s" for at in numbers["first_clipped_s"][:3])
        found.append(
            f"{plural(numbers['clipped_runs'], 'clipped run')}, the longest "
            f"{plural(numbers['longest_clipped_run_frames'], 'frame')}, first at {first}"
        )
    offsets = numbers["dc_offsets_full_scale"]
    if any(abs(offset) > 0.001 for offset in offsets):
        found.append(f"DC offset {', '.join(f'{offset:+.4f}' for offset in offsets)} of full scale")
    bits, width = numbers["effective_bits"], {"int24": 24, "int32": 32}.get(answer.sample_format or "", 0)
    if bits is not None and 0 < bits < width:
        found.append(f"{bits} of {width} bits are in use")
    if numbers["undithered"]:
        found.append(
            f"brought to 16 bits without dither, as is seen from {numbers['undithered_at_s']:.3f} s on"
        )
    if numbers["dead_channels"]:
        found.append(f"channel {', '.join(str(channel + 1) for channel in numbers['dead_channels'])} is dead")
    if numbers["dual_mono"]:
        found.append("both channels are the same")
    if numbers["low_pass_hz"]:
        found.append(f"nothing above {numbers['low_pass_hz']} Hz, as after a lossy codec")
    for name, where in (("leading_silence_s", "beginning"), ("trailing_silence_s", "end")):
        if numbers[name] >= 1:
            found.append(
                f"{numbers[name]:.3f} s under {numbers['silence_threshold_dbfs']:.0f} dBFS at the {where}"
            )
    return found
