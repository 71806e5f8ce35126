"""The main job with the real command, for people and as JSON."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.support.releases import Command, contents, music, muted, wav, wav_float64, written

DJ, STATION = "Ixby Marrowlet", "Radio Tarnquell"


def test_the_main_job_for_people(tmp_path: Path, cli_home: Path) -> None:
    """Every step says what it did; stderr stays empty."""
    relkit = Command(tmp_path, Path(shutil.copytree(cli_home, tmp_path / "home")))
    said = relkit.done(
        "new",
        "lanterns",
        "--artist",
        "Ostrel Vane",
        "--title",
        "Lanterns",
        "--tempo",
        "122",
        "--key",
        "F# minor",
    )
    assert "Started Ostrel Vane - Lanterns" in said
    song = music(1)
    first = written(tmp_path / "session/Lanterns_dirty_v2.wav", wav(song))
    clean = written(tmp_path / "session/Lanterns (Clean) 96k24b.wav", wav(muted(song, 0.2, 0.1)))
    here = ("--release", tmp_path / "lanterns")
    said = relkit.done("commit", first, clean, "--note", "first mix", *here)
    assert "Lanterns_dirty_v2.wav is explicit (dirty)" in said
    assert re.search(r"^Revision 1  [0-9a-f]{12}  3 files$", said, re.MULTILINE)
    assert re.search(r"new  clean +0:01\.000 +-\d+\.\d\d LUFS +-\d+\.\d\d dBTP", said)

    said = relkit.done("ship", DJ, "--kind", "club-dj", "--shipped-on", "2026-10-05", *here)
    assert "Shipped revision 1 to Ixby Marrowlet (club-dj) on 2026-10-05" in said
    (folder,) = (tmp_path / "lanterns/packages").glob("*/*")
    sent = contents(folder)
    relkit.done("ship", STATION, "--kind", "radio-programme", "--zip", "--to", tmp_path / "out", *here)
    (zipped,) = (tmp_path / "out").iterdir()

    written(clean, wav(muted(song, 0.2, 0.3)))
    said = relkit.done("commit", clean, "--note", "one word more", *here)
    assert re.search(r"^  new  clean", said, re.MULTILINE)
    assert re.search(r"^       explicit", said, re.MULTILINE)
    said = relkit.done("diff", "1", "2", *here)
    assert re.search(r"new audio  clean", said)
    assert "The other 2 are the same, byte for byte." in said
    assert relkit("diff", "1", "2", "--check", *here).code == 1
    assert relkit("diff", "--check", *here).code == 0
    said = relkit.done("ship", STATION, "--zip", *here)
    assert "says which earlier package it replaces" in said

    said = relkit.done("checkout", "--sent-to", DJ, "--on", "2026-10-31", "--to", tmp_path / "then", *here)
    assert "What Ixby Marrowlet received on 2026-10-05: revision 1" in said
    assert contents(tmp_path / "then" / folder.name) == sent
    relkit.done("checkout", "--sent-to", STATION, "--to", tmp_path / "now", *here)
    (again,) = (tmp_path / "now").iterdir()
    assert again.read_bytes() != zipped.read_bytes()
    relkit.done("checkout", "1", "--to", tmp_path / "first", *here)
    assert (tmp_path / "first/bounces/explicit.wav").read_bytes() == first.read_bytes()

    assert "every byte as signed by me" in relkit.done("verify", tmp_path / "then" / folder.name)
    assert "every byte as signed by me" in relkit.done("verify", zipped)
    assert "All is whole." in relkit.done("audit", *here)
    said = relkit.done("history", *here)
    lines = [line for line in said.splitlines() if not line.startswith(" ")]
    assert ["revision 2" in lines[0] or "shipped" in lines[0], "2026-10-05" in lines[-1]] == [True, True]
    assert said.count("shipped") == 3
    shipment = re.search(r"shipped +([0-9a-f]{8})", said)
    assert shipment
    said = relkit.done("withdraw", shipment[1], "--reason", "the wrong station", *here)
    assert "Withdrawn: shipment" in said
    assert "WITHDRAWN: the wrong station" in relkit.done("history", *here)


def test_the_main_job_for_programs(relkit: Command, tmp_path: Path) -> None:
    """One document on stdout each time, with what a program goes on with."""
    sent = relkit.json("ship", DJ, "--kind", "club-dj", "--shipped-on", "2026-10-05", "--channel", "link")
    assert sent["record"]["recipient"]["name"] == DJ
    assert sent["record"]["of"] == sent["digest"]
    assert Path(sent["path"]).is_dir()
    zipped = relkit.json("ship", STATION, "--kind", "radio-programme", "--zip", "--to", tmp_path / "out")
    clean = written(tmp_path / "Lanterns clean.wav", wav(music(5)))
    second = relkit.json("commit", clean)
    assert (second["changed"], second["manifest"]["revision"]) == (True, 2)
    assert second["taken"][0]["version_id"] == "clean"
    assert relkit.json("commit")["changed"] is False
    rows = relkit.json("diff", "1", "2")["rows"]
    assert {row["what"]: row["change"] for row in rows}["clean"] == "new audio"
    made = relkit.json("checkout", "--shipment", zipped["record"]["id"], "--to", tmp_path / "then")
    assert Path(made["path"]).read_bytes() == Path(zipped["path"]).read_bytes()
    whole = relkit.json("checkout", "newest", "--to", tmp_path / "newest")
    assert sorted(whole["written"]) == sorted(contents(tmp_path / "newest"))
    assert relkit.json("verify", made["path"])["digest"] == zipped["digest"]
    assert relkit.json("audit")["findings"] == []
    gone = relkit.json("withdraw", zipped["record"]["id"], "--reason", "x", "--never-sent")
    assert (
        gone["record"]["of"] == relkit.json("history")["events"][-2]["digest"] or gone["record"]["never_sent"]
    )
    events = relkit.json("history", "--all")["events"]
    assert len(events) == 5
    assert relkit.json("signer", "show")["fingerprint"].startswith("SHA256:")
    assert len(relkit.json("signer", "list")) == 1


def test_a_difference_and_a_damage_are_still_one_document(relkit: Command) -> None:
    """Exit codes 1 and 4 come with their answer."""
    written(relkit.folder / "bounces/clean.wav", wav(music(5)))
    answer = relkit("diff", "--check", "--json")
    assert (answer.code, answer.err, answer.json()["differs"]) == (1, "", True)
    sent = Path(relkit.json("ship", DJ, "--kind", "club-dj")["path"])
    written(sent / "notes.txt", b"mine")
    answer = relkit("verify", sent, "--json")
    assert answer.code == 4
    assert answer.json()["extra"] == ["notes.txt"]


def test_names_cannot_play_with_the_terminal(relkit: Command, tmp_path: Path) -> None:
    """Markup is text, control codes are shown and not sent, right-to-left marks, too."""
    for name in ("[bold]x[/] 🎧", "\x1b[2J\x1b]0;t\x07", "\u202eevil"):
        said = relkit.done("ship", name, "--kind", "club-dj", "--note", name)
        said += relkit.done("history")
        said += relkit.done("checkout", "--sent-to", name, "--to", tmp_path / str(hash(name)))
        assert not set(said) & {"\x1b", "\x07", "\u202e"}
        if name[0] == "[":
            assert name in said
    assert "\x1b" not in relkit.refused(2, "ship", "\x1b[31mnobody")


def test_unmeasured(relkit: Command, tmp_path: Path) -> None:
    """A 64-bit float bounce is kept; where its numbers would be stands a dash."""
    said = relkit.done("commit", written(tmp_path / "Lanterns clean.wav", wav_float64(music(3))))
    assert re.search(r"new  clean +0:01\.000 +- +-$", said, re.MULTILINE)
    assert re.search(r"new audio  clean +0:01\.000 +- +-", relkit.done("diff", "1", "2"))


@pytest.mark.parametrize("arguments", [(), ("signer",)])
def test_alone_it_shows_its_help(relkit: Command, arguments: tuple[str, ...]) -> None:
    """No fault: somebody looks what there is."""
    assert relkit.done(*arguments).startswith("Usage: relkit")


def test_narrow_encodings(relkit: Command) -> None:
    """A terminal that has no such letters gets escapes; JSON is ASCII anyway."""
    narrow = {"PYTHONIOENCODING": "ascii"}
    said = relkit.done("ship", "Zoë 🎧", "--kind", "club-dj", env=narrow)
    assert r"Zo\xeb \U0001f600"[:6] in said
    document = relkit.json("ship", "Zoë 🎧", env=narrow)
    assert document["record"]["recipient"]["name"] == "Zoë 🎧"


def test_a_reader_that_has_enough(relkit: Command) -> None:
    """A closed pipe is no fault: ``relkit history | head -1``."""
    for arguments in (["history"], ["history", "--json"], ["--help"]):
        child = subprocess.Popen(
            relkit.arguments(*arguments),
            cwd=relkit.folder,
            env=relkit.environment(),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert child.stdout is not None
        child.stdout.close()
        assert child.stderr is not None
        with child.stderr:
            assert child.stderr.read() == b""
        assert child.wait(60) == 0


def test_a_full_disk_behind_stdout(relkit: Command) -> None:
    """The answer cannot be written: that is told once, in two lines."""
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            relkit.arguments("history"),
            cwd=relkit.folder,
            env=relkit.environment(),
            stdout=full,
            stderr=subprocess.PIPE,
            check=False,
            timeout=60,
        )
    assert done.returncode == 7
    assert done.stderr.count(b"\n") == 2
    assert b"no room left" in done.stderr
