"""The example release from beginning to end: from the first bounce to last month's package.

    python -m example_release.story [OUT_FOLDER] [--seconds-limit N]

Renders the song, then plays what happens to it with the real ``relkit`` command:
a first pack goes to a club DJ (recorded for a day last month, when it went out)
and to a radio station; the station hears one word too many; a new clean edit is
bounced, compared and sent; a remixer and an arena get theirs; and what the DJ got
last month is laid on the table again and proved to be the same to the byte. Every
step is checked, and the first that does not hold ends the story with an error.

The key, address book and release all lie in the output folder; nothing of the
user's own is touched. The folder is emptied first, if an earlier story made it.

Not here: the music (``render``), and anything that relkit itself should do.
"""

from __future__ import annotations

import argparse
import datetime as dt
import filecmp
import os
import shlex
import shutil
import struct
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from example_release import render, scenario

_MARK: Final = "made-by-the-example"  # only a folder with this file in it is ever emptied
_HERE: Final = Path(__file__).resolve().parent

# As bounces really come out of a session: several people, several habits. Common practice, no source.
_AS_BOUNCED: Final = {
    "explicit": "01 LanternsOnTheWeir_DIRTY_44k24b.wav",
    "clean": "02 LanternsOnTheWeir_Clean_44k24b.wav",
    "instrumental": "Lanterns on the Weir inst FINAL.wav",
    "acapella": "lanterns_on_the_weir-acap-mix11.wav",
    "acapella-clean": "lanterns_on_the_weir-acap-clean-mix11.wav",
    "dj": "Ostrel Vane - Lanterns on the Weir (DJ edit dirty).wav",
    "dj-clean": "Ostrel Vane - Lanterns on the Weir (DJ edit clean).wav",
}


class StoryError(Exception):
    """Something did not turn out as the story says."""


class Story:
    """One telling of the story in a folder of its own."""

    def __init__(self, out: Path) -> None:
        self.out = out
        self.release = out / "lanterns-on-the-weir"
        self._surroundings = {**os.environ, "RELKIT_HOME": str(out / "home"), "PYTHONPATH": str(_HERE.parent)}

    def relkit(self, *arguments: str | Path) -> str:
        """Run the command as a person would, show it and its answer, and return the answer."""
        words = [str(argument) for argument in arguments]
        print(f"\n$ relkit {shlex.join(self._short(word) for word in words)}", flush=True)
        where = self.release if self.release.exists() else self.out
        done = subprocess.run(
            [sys.executable, "-m", "relkit", *words],
            cwd=where,
            env=self._surroundings,
            capture_output=True,
            text=True,
            encoding="utf-8",
            check=False,
        )
        print(
            "".join(f"  {self._short(line)}\n" for line in (done.stdout + done.stderr).splitlines()), end=""
        )
        if done.returncode != 0:
            raise StoryError(f"relkit {words[0]} ended with exit code {done.returncode}")
        return done.stdout

    def _short(self, text: str) -> str:
        return text.replace(f"{self.out}{os.sep}", "")


def say(text: str) -> None:
    """Print what happens next."""
    print(f"\n--- {text}")


def require(holds: bool, what: str) -> None:
    """Check a claim of the story, out loud."""
    if not holds:
        raise StoryError(f"this should hold and does not: {what}")
    print(f"  checked: {what}")


def same_tree(first: Path, second: Path) -> bool:
    """Compare two folders, or two files, byte for byte."""
    if first.is_file():
        return filecmp.cmp(first, second, shallow=False)
    names = sorted(path.relative_to(first) for path in first.rglob("*"))
    if names != sorted(path.relative_to(second) for path in second.rglob("*")):
        return False
    return all(
        filecmp.cmp(first / name, second / name, shallow=False) for name in names if (first / name).is_file()
    )


def bounced(paths: Mapping[str, Path], folder: Path, versions: Sequence[str]) -> list[Path]:
    """Give rendered files the names that they come with in life."""
    folder.mkdir(parents=True)
    return [Path(shutil.move(paths[version], folder / _AS_BOUNCED[version])) for version in versions]


def rate_and_depth(path: Path) -> tuple[int, int]:
    """Return sample rate [Hz] and bits of a WAV whose format comes first, as it does in packages."""
    head = path.read_bytes()[:44]
    return struct.unpack_from("<I", head, 24)[0], struct.unpack_from("<H", head, 34)[0]


def last_month(today: dt.date) -> str:
    """Return the 20th of last month as relkit takes a day."""
    return (today.replace(day=1) - dt.timedelta(days=1)).replace(day=20).isoformat()


def tell(out: Path, seconds_limit: float | None = None) -> None:
    """Tell the whole story in an empty folder."""
    story = Story(out)
    begun = time.monotonic()
    say("A song is finished. Rendering it stands in for the session; it takes a while.")
    first = render.render(out / "rendered-1", seconds_limit=seconds_limit)
    second = render.render(
        out / "rendered-2", versions=render.CLEAN_VERSIONS, take=2, seconds_limit=seconds_limit, artwork=False
    )
    cover = first["cover"]
    pack = bounced(first, out / "from the session, first", render.VERSIONS)
    edits = bounced(second, out / "from the session, second", render.CLEAN_VERSIONS)
    print(f"  rendered {len(pack) + len(edits)} files in {time.monotonic() - begun:.0f} s")

    say("A release is started, and the first pack committed.")
    tempo, key = str(scenario.TEMPO_BPM), scenario.KEY
    story.relkit(
        "new",
        story.release,
        "--artist",
        scenario.ARTIST,
        "--title",
        scenario.TITLE,
        "--tempo",
        tempo,
        "--key",
        key,
    )
    shutil.copy(cover, story.release / "artwork" / "cover.png")
    story.relkit("commit", *pack, "--note", "first full pack", "--session", scenario.SESSION)

    day = last_month(dt.date.today())  # noqa: DTZ011 - a civil day, where the user is
    say(f"It went to {scenario.CLUB_DJ}, who plays clubs, on {day}; that is recorded now.")
    story.relkit(
        "ship",
        scenario.CLUB_DJ,
        "--kind",
        "club-dj",
        "--shipped-on",
        day,
        "--channel",
        "stick",
        "--to",
        out / "stick",
    )
    say(f"And today it goes to {scenario.RADIO_STATION}, which takes nothing explicit.")
    story.relkit(
        "ship",
        scenario.RADIO_STATION,
        "--kind",
        "radio-programme",
        "--zip",
        "--channel",
        "link",
        "--to",
        out / "link",
    )

    say("The station calls: one word can still be heard. A new clean edit comes from the session.")
    story.relkit("commit", *edits, "--note", "one more word taken out for the station")
    say("What changed, and is anything else different?")
    changes = story.relkit("diff", "1", "2")
    require(changes.count("new audio") == len(edits), "exactly the three clean versions have new audio")
    story.relkit(
        "ship", scenario.RADIO_STATION, "--zip", "--channel", "link", "--to", out / "link, second", "--note",
        "answers their call",
    )  # fmt: skip
    say("A remixer gets the bounces' own samples, an arena what its desk runs at.")
    for somebody, kind in ((scenario.REMIXER, "remixer"), (scenario.ARENA, "arena")):
        story.relkit("ship", somebody, "--kind", kind, "--to", out / kind)
    (remix,), (arena,) = (list((out / kind).glob("*/WAV")) for kind in ("remixer", "arena"))
    require(len(list(remix.iterdir())) == len(render.VERSIONS), "the remixer has every version as WAV")
    require(
        all(rate_and_depth(path) == (48_000, 24) for path in arena.iterdir()),
        "the arena's WAVs have 48 kHz and 24 bit",
    )

    say(f"What exactly did {scenario.CLUB_DJ} get last month?")
    story.relkit("checkout", "--sent-to", scenario.CLUB_DJ, "--on", day, "--to", out / "again")
    (sent,), (again,) = (list((out / name).iterdir()) for name in ("stick", "again"))
    require(same_tree(sent, again), "the package is the one that was sent, byte for byte")
    story.relkit("verify", again)
    story.relkit("audit")
    story.relkit("history")
    print(f"\nThe end, after {time.monotonic() - begun:.0f} s. Everything is in {out}")


def main() -> None:
    """Tell the story from the command line."""
    parser = argparse.ArgumentParser(description="Play the example release from beginning to end.")
    parser.add_argument("out", type=Path, nargs="?", default=_HERE / "out", help="a folder for all of it")
    parser.add_argument("--seconds-limit", type=float, help="only the first so many seconds of the song")
    chosen = parser.parse_args()
    out = chosen.out.absolute()
    if out.exists() and any(out.iterdir()) and not (out / _MARK).exists():
        sys.exit(f"{out} is not empty and not of an earlier story.\n  Name an empty folder.")
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir(parents=True)
    (out / _MARK).touch()
    try:
        tell(out, chosen.seconds_limit)
    except StoryError as error:
        sys.exit(f"\nThe story broke off: {error}\n  Everything so far is in {out}")


if __name__ == "__main__":
    main()
