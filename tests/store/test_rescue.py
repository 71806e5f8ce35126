"""The rescue page keeps its promise: its own script and commands, on a machine without relkit."""

from __future__ import annotations

import re
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.support.audio_bytes import chunk, id3_tag, mpeg_frames, picture
from tests.support.stores import ROOT, Store, aiff, as_bytes, clean_environment, git, music, wav

PAGE = (ROOT / "docs" / "rescue.md").read_text(encoding="utf-8")


def with_silence(sample_format: str, channels: int = 2) -> bytes:
    """Return audio of several chunks with half a second of digital silence in it."""
    samples = music(1.5, seed=3, channels=channels)
    samples[20_000:42_050] = 0
    return as_bytes(samples, sample_format)


def odd_floats() -> bytes:
    """Return float samples with everything that a float may be among them."""
    bits = np.frombuffer(with_silence("float32"), "<u4").copy()
    bits[1000:1006] = [0x7FC00001, 0xFF800000, 0x80000000, 0x00000001, 0x40490FDB, 0x7F800001]
    return bits.tobytes()


FILES = {
    "24-bit": wav(with_silence("int24")) + chunk(b"LIST", b"a remark"),
    "16-bit mono": wav(with_silence("int16", 1), "int16", 1),
    "float": wav(odd_floats(), "float32"),
    "32-bit": wav(with_silence("int32"), "int32"),
    "AIFF": aiff(with_silence("int24")),
    "AIFF 32-bit": aiff(with_silence("int32"), "int32"),
    "AIFF-C float": aiff(odd_floats(), "float32"),
    "noise": wav(np.random.default_rng(5).bytes(6 * 30_000)),
    "nine channels": wav(with_silence("int24", 9), "int24", 9),
    "MP3": id3_tag(picture()) + mpeg_frames(50),
    "a sheet": b'artist = "Lantern"\n',
    "nothing": b"",
}


@pytest.fixture(scope="module")
def script(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program as it is printed."""
    [printed] = re.findall(r"^```python\n(.*?)^```$", PAGE, re.DOTALL | re.MULTILINE)
    file = tmp_path_factory.mktemp("rescue") / "rescue.py"
    file.write_text(printed, encoding="utf-8")
    return file


def rescue(script: Path, *arguments: str) -> str:
    """Run the script with the standard library alone: no site-packages, no search path."""
    command = [sys.executable, "-I", "-S", str(script), *arguments]
    done = subprocess.run(
        command, env=clean_environment(), check=True, stdout=subprocess.PIPE, cwd=script.parent
    )
    return done.stdout.decode()


def test_the_script_is_short(script: Path) -> None:
    """Somebody may have to type it."""
    lines = [line for line in script.read_text().splitlines() if line.strip()]
    assert len(lines) <= 45
    assert "relkit" not in script.read_text()


def test_the_script_gives_every_file_back(store: Store, script: Path, tmp_path: Path) -> None:
    """Each kind of container and coding, from a revision, from an older one, and from a shipment."""
    commit, stored = store.commit(*FILES.values())
    store.record("shipped/2031-05-04-0a1b2c3d4e5f60718293a4b5c6d7e8f9", commit)
    store.commit(b"a later revision")
    store.close()
    places = ["revisions~1", "shipped/2031-05-04-0a1b2c3d4e5f60718293a4b5c6d7e8f9^{}"]
    for number, (name, each) in enumerate(zip(FILES, stored, strict=True)):
        target = tmp_path / f"{number}.out"
        said = rescue(script, str(store.path), places[number % 2], each.sha256, str(target))
        assert said == "the bytes are right\n", name
        assert target.read_bytes() == FILES[name], name


@pytest.mark.parametrize("name", ["24-bit", "32-bit", "AIFF", "float", "MP3"])
def test_the_script_follows_a_file_to_its_audio(
    store: Store, script: Path, tmp_path: Path, name: str
) -> None:
    """A file with other text around the audio of a stored one has a row instead of chunks."""
    _, [first] = store.commit(FILES[name])
    again = retagged(FILES[name])
    _, [second] = store.commit(again, essence_of=first.tree)
    store.close()
    target = tmp_path / "out"
    said = rescue(script, str(store.path), "revisions", second.sha256, str(target))
    assert said == "the bytes are right\n"
    assert target.read_bytes() == again


def retagged(file: bytes) -> bytes:
    """Return a file with one more chunk at its end, or another tag at its start."""
    if file[:3] == b"ID3":
        return id3_tag(picture(image=b"\xff\xd8\xff another picture")) + mpeg_frames(50)
    order = "<" if file[:4] == b"RIFF" else ">"
    body = file[8:] + chunk(b"note", b"another text", order=order)
    return file[:4] + struct.pack(f"{order}I", len(body)) + body


def test_the_files_above_need_every_coding(store: Store) -> None:
    """So that the test before proves something."""
    from relkit.store.layout import CODINGS, ESSENCE_OF
    from relkit.store.restoring import read_layout

    _, stored = store.commit(*FILES.values())
    layouts = [read_layout(store.repository, each.tree)[0] for each in stored]
    parts = [part for layout in layouts for part in layout.parts]
    assert {chunk.coding for part in parts for chunk in part.chunks} == {*CODINGS} - {ESSENCE_OF}
    assert {part.big_endian for part in parts} == {True, False}
    assert all(part.chunks for part in parts)


def test_the_script_notices_wrong_bytes(store: Store, script: Path, tmp_path: Path) -> None:
    """A content under another file's digest."""
    from relkit.store import revisions
    from tests.support.stores import START

    _, [stored] = store.commit(b"the sheet")
    lie = "ab" * 32
    with store.repository.writer() as pack:
        made = revisions.write(
            pack,
            manifest=b"{}",
            signature=b"s",
            content={lie: stored.tree},
            features=revisions.FEATURES,
            parents=[],
            moment=START,
            message="A lie",
        )
    said = rescue(script, str(store.path), made.hex(), lie, str(tmp_path / "out"))
    assert said == "THE BYTES ARE WRONG\n"


def test_the_git_commands_of_the_page_work(store: Store) -> None:
    """Each one that looks at the store, as printed."""
    commit, [stored] = store.commit(wav(as_bytes(music(6, 4), "int24")))
    store.commit(b"one")
    store.commit(b"two")
    store.record("shipped/2031-05-04-0a1b2c3d4e5f60718293a4b5c6d7e8f9", commit)
    store.close()
    looked = 0
    for line in re.findall(r"^git (.*)$", PAGE, re.MULTILINE):
        command = line.split("  #")[0].split(" > ")[0].strip()
        if "verify-tag" in command or ".sig" in command:
            continue  # needs a real signature: tests/trust
        command = command.replace("revisions:content", "revisions~2:content").replace("SHA256", stored.sha256)
        subprocess.run(
            ["sh", "-c", f"git {command}"],
            cwd=store.path,
            env=clean_environment(),
            check=True,
            stdout=subprocess.DEVNULL,
        )
        looked += 1
    assert looked >= 8


def test_a_chunk_from_the_middle_can_be_listened_to(store: Store, tmp_path: Path) -> None:
    """It is a complete FLAC file."""
    _, [stored] = store.commit(wav(as_bytes(music(6, 4), "int24")))
    chunk_file = tmp_path / "five.flac"
    chunk_file.write_bytes(git(store.path, "cat-file", "blob", f"revisions:content/{stored.sha256}/00000005"))
    subprocess.run(["flac", "-t", "-s", "-w", str(chunk_file)], check=True)


def test_lost_heads_and_configs_are_made_again_by_hand(store: Store, tmp_path: Path) -> None:
    """As the page says: then Git reads the store again."""
    commit, _ = store.commit(b"the sheet")
    store.close()
    (store.path / "HEAD").write_text("ref: refs/heads/revisions\n")
    (store.path / "config").unlink()
    git(store.path, "init", "-q", "--bare")
    assert git(store.path, "rev-parse", "revisions").decode().strip() == commit.hex()
    (store.path / "refs/heads/revisions").unlink()
    assert commit.hex() in git(store.path, "fsck", "--lost-found").decode()
    git(tmp_path, "init", "-q", "--bare", "copy.git")
    (store.path / "refs/heads/revisions").write_text(commit.hex() + "\n")
    git(tmp_path / "copy.git", "fetch", "-q", str(store.path), "refs/*:refs/rescued/*")
    assert (
        git(tmp_path / "copy.git", "rev-parse", "refs/rescued/heads/revisions").decode().strip()
        == commit.hex()
    )


def test_a_lost_index_is_made_again_by_git(store: Store) -> None:
    """As the page says, and relkit is content with it."""
    _, [stored] = store.commit(b"the sheet")
    [pack] = store.packs()
    store.close()
    pack.with_suffix(".idx").chmod(0o644)
    pack.with_suffix(".idx").unlink()
    git(store.path, "index-pack", str(pack))
    opened = Store(store.folder)
    assert opened.restored(stored) == b"the sheet"
    opened.close()
