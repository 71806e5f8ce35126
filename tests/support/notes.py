"""Notes to lay out: a pack of seven versions with everything declared, and what tries to break out of one."""

from __future__ import annotations

import datetime as dt
import io
from dataclasses import fields, replace
from fractions import Fraction

from PIL import Image, ImageDraw

from relkit.manifest import SoundFacts, VersionFacts
from relkit.pack.facts import SongFacts, Timers, VersionFile
from relkit.pack.replacement import Place, Replacement
from relkit.pack.statements import Note
from relkit.vocabulary import Key

SONG = SongFacts(
    artist="Ostrel Vane",
    title="Lanterns on the Weir",
    featured=("Mira Quell",),
    album="Lanterns on the Weir - Single",
    genre="House",
    language="en",
    release_date=dt.date(2024, 8, 9),
    embargo=dt.datetime(2024, 8, 2, 0, 1, tzinfo=dt.timezone(dt.timedelta(hours=1))),
    end_date=dt.date(2024, 12, 31),
    tempo_bpm=Fraction(122),
    tempo_text="122 BPM",
    key=Key.parse("F# minor"),
    composers=("Ostrel Vane", "Ada Thorn"),
    lyricists=("Mira Quell",),
    publisher="Example Music Publishing",
    label="Example Recordings",
    copyright="2024 Example Recordings",
    gtin="4006381333931",
    credits=(("producer", ("Ostrel Vane",)), ("mix", ("Jo Hale", "Ida Sorn")), ("mastering", ("Kit Rowan",))),
    contact="promo@example.com",
    pronunciation="OSS-trel VAYN",
    promo_line="For promotional use only",
)
FINGERPRINT = "SHA256:YOsDDrL2LPTsvMDN3AOJ5HWW5g6KGpKeIG9TusBZhSA"

# Everything that a layout might take for structure.
HOSTILE = (
    "</p><script>alert(1)</script>",
    '" onmouseover="alert(1)',
    "' onfocus='alert(1)",
    "Artist & Title &amp; &lt;b&gt;",
    "one\r\ntwo\n\nCredits\n-------",
    "\u2028separated\u2029paragraphs\x85next",
    "\u202egnp.exe\u202c \u2066isolated\u2069",
    "\x1b[31mred\x1b[0m\x07\x9b2J",
    "back\\slash / slash // *",
    "--> <!-- ]]> </style><style>*{display:none}</style>",
    "w" * 300,
    "many words " * 27,
    "\u05e9\u05dc\u05d5\u05dd \u0645\u0631\u062d\u0628\u0627 \u4f60\u597d \U0001f3b6",
    "\x00\ud800\ufffe",
    "{title} %s $(id) `id`",
    "javascript:alert(1)",
)


def sound(frames: int, loudness: float | None, peak: float | None, /, **changes: object) -> SoundFacts:
    """Make what was measured of a stereo file of 24 bits at 44.1 kHz."""
    facts: dict[str, object] = {
        "identity": "0" * 64,
        "sample_format": "int24",
        "sample_rate_hz": 44_100,
        "channels": 2,
        "frames": frames,
        "integrated_loudness_lufs": loudness,
        "true_peak_dbtp": peak,
        "meter": "meter-1",
    }
    return SoundFacts.model_validate(facts | changes)


def version(
    identity: str,
    label: str,
    rating: str | None = "explicit",
    *,
    removed: tuple[str, ...] = (),
    form: str = "song",
) -> VersionFacts:
    """Make the place of a version on its axes."""
    return VersionFacts(
        id=identity,
        label=label,
        parts="full",
        form=form,
        rating=rating,
        removed=list(removed),
        length_group=form,
    )


def both_formats(
    facts: VersionFacts,
    *,
    frames: int = 9_195_952,
    loudness: float | None = -9.84,
    mp3_peak: float | None = -1.2,
    isrc: str | None = None,
    vocal_from_s: float | None = None,
    ending: str | None = None,
    last_words: str | None = None,
) -> list[VersionFile]:
    """Make one version as MP3 and WAV."""
    wav = sound(frames, loudness, -1.4)
    mp3 = sound(frames, loudness, mp3_peak, sample_format="mpeg-layer-3")
    made = "320 kbit/s from the 24-bit bounce"
    return [
        VersionFile(
            f"{folder}/Ostrel Vane - Lanterns on the Weir ({facts.label}).{folder.lower()}",
            facts,
            measured,
            isrc,
            ending,
            last_words,
            Timers(vocal_from_s=vocal_from_s),
            made_by=made_by,
        )
        for folder, measured, made_by in (("MP3", mp3, made), ("WAV", wav, ""))
    ]


def seven_versions() -> list[VersionFile]:
    """Make the pack of a song with explicit content, every version as MP3 and WAV."""
    gone = ("swearing", "sound-alikes")
    last = "until the lanterns drown"
    longer = 10_584_000
    return [
        *both_formats(
            version("explicit", "Explicit"),
            isrc="QZEX12400001",
            vocal_from_s=15.738,
            ending="cold",
            last_words=last,
        ),
        *both_formats(
            version("clean", "Clean", "clean", removed=gone),
            isrc="QZEX12400002",
            vocal_from_s=15.738,
            ending="cold",
            last_words=last,
            mp3_peak=-0.44,
        ),
        *both_formats(
            version("instrumental", "Instrumental", "no-edit-needed"), isrc="QZEX12400003", ending="cold"
        ),
        *both_formats(version("acapella", "Acapella"), loudness=-15.75, vocal_from_s=15.738, mp3_peak=-6.0),
        *both_formats(
            version("acapella-clean", "Acapella Clean", "clean", removed=gone),
            loudness=-15.76,
            vocal_from_s=15.738,
            mp3_peak=-6.0,
        ),
        *both_formats(
            version("dj", "DJ Edit", form="dj-edit"),
            frames=longer,
            isrc="QZEX12400004",
            vocal_from_s=31.475,
            ending="fade",
            mp3_peak=0.31,
        ),
        *both_formats(
            version("dj-clean", "DJ Edit Clean", "clean", removed=gone, form="dj-edit"),
            frames=longer,
            isrc="QZEX12400005",
            vocal_from_s=31.475,
            ending="fade",
        ),
    ]


REPLACEMENT = Replacement(
    2,
    "2024-07-19",
    changed=["Clean", "Acapella Clean", "DJ Edit Clean"],
    unchanged=["Explicit", "Instrumental", "Acapella", "DJ Edit"],
    same_start=True,
    places={"Clean": [Place(83.38, 83.91, "bar 43")], "DJ Edit Clean": [Place(99.12, 99.65, "bar 51")]},
)


def seven_note(replaces: Replacement | None = None) -> Note:
    """Make the note of a full pack."""
    return Note(SONG, seven_versions(), 3, "2024-07-26", FINGERPRINT, replaces)


def note_saying(text: str) -> Note:
    """Make a note that has a text wherever a sheet, or an old manifest, can put one."""
    words: dict[str, object] = {
        item.name: text for item in fields(SongFacts) if item.type in {"str", "str | None"}
    }
    words |= {"tempo_text": text, "featured": (text, text), "composers": (text,), "lyricists": (text, text)}
    song = replace(SONG, **words, credits=((text, (text, text)),), tempo_bpm=None)  # type: ignore[arg-type]
    facts = version("x", text, text, removed=(text,)).model_copy(update={"language": text})
    file = both_formats(facts, isrc=text, vocal_from_s=1.0, ending=text, last_words=text, mp3_peak=0.5)
    files = [replace(entry, made_by=text, name=f"MP3/a{number}.mp3") for number, entry in enumerate(file)]
    old = Replacement(
        1,
        text,
        changed=[text],
        unchanged=[text],
        added=[text],
        removed=[text],
        places={text: [Place(1, 2, text)]},
    )
    return Note(song, files, 3, text, text, old)


def cover(side_px: int = 600) -> bytes:
    """Draw a cover: rings on a slope, nothing that anybody owns."""
    picture = Image.linear_gradient("L").resize((side_px, side_px)).convert("RGB")
    picture = Image.merge(
        "RGB", [picture.getchannel(0).point(lambda v, k=k: int(v * k)) for k in (0.2, 0.5, 0.6)]
    )
    draw = ImageDraw.Draw(picture)
    for number in range(1, 9):
        radius = number * side_px // 18
        centre = side_px // 2, side_px * 3 // 5
        box = (centre[0] - radius, centre[1] - radius, centre[0] + radius, centre[1] + radius)
        draw.ellipse(box, outline=(240, 190, 90), width=max(1, 9 - number))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=90)
    return out.getvalue()
