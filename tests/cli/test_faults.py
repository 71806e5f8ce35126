"""Whatever goes wrong: one line of fault, one of hint, the right exit code, nothing recorded.

Not here: the same through the API, case by case (``tests/release/test_bad_bounces.py``).
"""

from __future__ import annotations

import os
import resource
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.support.releases import Command, music, recorded, state, two_lines, wav, written

Called = Callable[..., str]


@pytest.fixture
def called(relkit: Command, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Called:
    """The command in this process, for long tables: exit code and arguments in, stderr out."""
    monkeypatch.chdir(relkit.folder)
    monkeypatch.setattr(os, "environ", os.environ.copy())
    monkeypatch.setenv("RELKIT_HOME", str(relkit.home))

    def call(code: int, *arguments: str) -> str:
        from relkit.cli import main

        monkeypatch.setattr(sys, "argv", ["relkit", *arguments])
        with pytest.raises(SystemExit) as left:
            main()
        out, err = capsys.readouterr()
        assert (left.value.code, out) == (code, ""), (arguments, err)
        return two_lines(err)

    return call


# Arguments, words of the fault, words of the hint. "{}" is the test's own folder.
USAGE = [
    (["frobnicate"], "frobnicate", "relkit --help"),
    (["--frobnicate"], "--frobnicate", "relkit --help"),
    (["ship"], "to whom", "--to-kind"),
    (["new", "x", "--artist", "A"], "--title", "relkit new --help"),
    (["history", "--limit", "0"], "limit", "relkit history --help"),
    (["history", "--limit", "many"], "integer", "relkit history --help"),
    (["history", "extra"], "extra", "relkit history --help"),
    (["signer", "frobnicate"], "frobnicate", "relkit signer --help"),
    (["checkout", "--to", "{}/out"], "checkout needs a revision", "relkit checkout newest"),
    (["checkout", "1", "--sent-to", "X", "--to", "{}/out"], "only one of them", "relkit checkout"),
    (
        ["checkout", "1", "--on", "2026-10-01", "--to", "{}/out"],
        "go with --sent-to",
        "--sent-to",
    ),
    (["checkout", "1", "--zip", "--to", "{}/out"], "no other form", "--zip"),
    (["checkout", "7", "--to", "{}/out"], "no revision 7", "newest is 1"),
    (["checkout", "deadbeef", "--to", "{}/out"], "no revision deadbeef", "relkit history"),
    (["checkout", "HEAD~1", "--to", "{}/out"], "no revision HEAD~1", "relkit history"),
    (["checkout", "--shipment", "abcd", "--to", "{}/out"], "no record is called abcd", "relkit history"),
    (["checkout", "--sent-to", "Nobody", "--to", "{}/out"], "nobody is called Nobody", "relkit shipments"),
    (["diff", "1", "9"], "no revision 9", "newest is 1"),
    (["ship", "Ixby"], "nobody is called Ixby", "--kind"),
    (["ship", "Ixby", "--kind", "friend"], "kind friend is not known", "club-dj"),
    (["ship", "Ixby", "--another"], "needs a kind", "club-dj"),
    (["ship", "Ixby", "--kind", "club-dj", "--revision", "5"], "no revision 5", "newest is 1"),
    (["ship", "Ixby", "--kind", "club-dj", "--only", "dub"], "no version dub", "It has explicit"),
    (["ship", "Ixby", "--kind", "club-dj", "--shipped-on", "5 May"], "5 May is not a day", "yyyy-mm-dd"),
    (["ship", "Ixby", "--kind", "club-dj", "--shipped-on", "2026-02-30"], "not a day", "yyyy-mm-dd"),
    (["ship", "Ixby", "--kind", "club-dj", "--shipped-on", "2999-01-01"], "has not come yet", "day"),
    (["withdraw", "abcd", "--reason", "x"], "no record is called abcd", "relkit history"),
    (["commit", "--without", "dub"], "no version dub", "It has explicit"),
    (["commit", "--as", "clean"], "--as says what one file is", "exactly one file"),
    (["commit", "--as", "claen", "{}/mixdown-7.wav"], "no version claen", "Did you mean clean"),
    (["commit", "{}/mixdown-7.wav"], "does not say which version", "--as"),
    (["commit", "{}/radio edit.wav"], "clean, shortened, or both", "--as clean or --as short"),
    (["commit", "{}/a clean.wav", "{}/b clean.wav"], "are both clean", "--as"),
    (["verify", "{}/nothing"], "is not there", "ZIP"),
    (["verify", "{}"], "is not a package", "folder"),
    (["verify", "{}/mixdown-7.wav"], "is not a ZIP", "ZIP"),
    (["new", "."], "has a .relkit already", "relkit commit"),
    (["new", "{}/n", "--artist", "A", "--title", "T", "--tempo", "fast"], "tempo", "digits"),
    (["new", "{}/n", "--artist", " ", "--title", "T"], "artist", ""),
    (["history", "--release", "/"], "is not in a release", "--release"),
    (["signer", "trust", "nonsense", "--name", "X"], "neither a public key", "signer.pub"),
    (["signer", "distrust", "Nobody"], "Nobody", ""),
]


def test_wrong_usage(relkit: Command, called: Called, tmp_path: Path) -> None:
    """The parser's faults and the verbs', all in one form, all with exit code 2."""
    for name in ("mixdown-7", "radio edit", "a clean", "b clean"):
        written(tmp_path / f"bad/{name}.wav", wav(music(9, 0.1)))
    before = state(relkit.folder)
    for arguments, fault, hint in USAGE:
        filled = [each.replace("{}", str(tmp_path / "bad")) for each in arguments]
        if arguments == ["new", "."]:
            filled += ["--artist", "A", "--title", "T"]
        lines = called(2, *filled).splitlines()
        assert fault in lines[0], (arguments, lines)
        assert hint in lines[1], (arguments, lines)
    assert state(relkit.folder) == before
    assert not (tmp_path / "bad/out").exists()
    assert not (tmp_path / "bad/n").exists()


def test_before_the_first_shipment(relkit: Command, tmp_path: Path) -> None:
    """Nothing had been sent by then; the day of the first shipment is told."""
    relkit.done("ship", "Ixby Marrowlet", "--kind", "club-dj", "--shipped-on", "2026-10-05")
    said = relkit.refused(
        2, "checkout", "--sent-to", "Ixby Marrowlet", "--on", "2026-10-04", "--to", tmp_path / "o"
    )
    assert "on or before 2026-10-04" in said
    assert "2026-10-05" in said
    said = relkit.refused(2, "checkout", "--sent-to", "Ixby Marowlet", "--to", tmp_path / "o")
    assert "Did you mean Ixby Marrowlet" in said
    assert not (tmp_path / "o").exists()


SHEETS = {
    "a word without quotes": ('artist = "Ostrel Vane"', "artist = Ostrel Vane", "line 5: Invalid value"),
    "an unknown rating": ('rating = "clean"', 'rating = "tidy"', "tidy"),
    "an unknown field": ("key = ", "kee = ", "kee"),
    "a place outside": ('file = "bounces/clean.wav"', 'file = "../clean.wav"', "climbs out"),
    "an absolute place": ('file = "bounces/clean.wav"', 'file = "/etc/passwd"', "absolute"),
    "one place twice": ('file = "bounces/clean.wav"', 'file = "Bounces/Explicit.WAV"', "xplicit"),
    "a table twice": ("[artwork]", "[bars]", "bars"),
    "a newer form": ("format = 1", "format = 2", "format 2"),
}


def test_faults_of_the_sheet(relkit: Command, called: Called) -> None:
    """Exit code 3, and the line is named."""
    sheet = relkit.folder / "release.toml"
    good = sheet.read_text("utf-8").replace("# key = ", "key = ")
    for kind, (old, new, words) in SHEETS.items():
        assert good.count(old) >= 1, kind
        sheet.write_text(good.replace(old, new, 1), "utf-8")
        before = state(relkit.folder)
        for arguments in (["commit"], ["diff"]):
            said = called(3, *arguments)
            assert said.startswith("relkit: release.toml line "), (kind, said)
            assert words in said, (kind, said)
        assert state(relkit.folder) == before
    sheet.write_bytes(b"\xff\xfe")
    assert "line 1" in called(3, "commit")
    sheet.unlink()
    assert "no release.toml" in called(3, "commit")


def test_a_lost_bounce(relkit: Command) -> None:
    """A fault, unless it is left out on purpose."""
    (relkit.folder / "bounces/clean.wav").unlink()
    before = state(relkit.folder)
    said = relkit.refused(3, "commit")
    assert "bounces/clean.wav is missing, and revision 1 has it" in said
    assert "--without clean" in said
    assert state(relkit.folder) == before
    assert "gone: bounces/clean.wav" in relkit.done("commit", "--without", "clean")


def test_bad_bounces(relkit: Command, tmp_path: Path) -> None:
    """Exit code 3; a name that is not UTF-8 is printed in escapes."""
    good = wav(music(9, 0.2))
    bad: dict[bytes, bytes] = {
        b"cut clean.wav": good[:-999],
        b"empty clean.wav": b"",
        b"text clean.wav": b"verse two\n" * 99,
        b"clean \xff.wav": good,
    }
    before = state(relkit.folder)
    for name, data in bad.items():
        path = os.path.join(os.fsencode(tmp_path), name)  # noqa: PTH118 - bytes, which pathlib has not
        with open(path, "wb") as file:  # noqa: PTH123 - likewise
            file.write(data)
        relkit.refused(3, "commit", path)
    assert "is not there" in relkit.refused(3, "commit", tmp_path / "clean gone.wav")
    assert state(relkit.folder) == before


def test_a_foreign_file_in_the_way(relkit: Command, tmp_path: Path) -> None:
    """It is not replaced, and nothing else is written; what the store has is replaced."""
    out = tmp_path / "out"
    mine = written(out / "bounces/clean.wav", b"my own notes")
    said = relkit.refused(2, "checkout", "1", "--to", out)
    assert "clean.wav is in the way" in said
    assert mine.read_bytes() == b"my own notes"
    assert [path.name for path in out.rglob("*") if path.is_file()] == ["clean.wav"]
    written(mine, (relkit.folder / "bounces/explicit.wav").read_bytes())
    relkit.done("checkout", "1", "--to", out)
    assert mine.read_bytes() == (relkit.folder / "bounces/clean.wav").read_bytes()
    # A bounce that was never committed is not replaced by one that is handed over, either.
    uncommitted = written(relkit.folder / "bounces/clean.wav", wav(music(8, 0.3)))
    said = relkit.refused(2, "commit", written(tmp_path / "New clean.wav", wav(music(7, 0.3))))
    assert "clean.wav is in the way" in said
    assert uncommitted.read_bytes() == wav(music(8, 0.3))


def test_a_package_in_the_way(relkit: Command, tmp_path: Path) -> None:
    """Neither ship nor checkout puts a package over another."""
    relkit.done("ship", "Ixby Marrowlet", "--kind", "club-dj", "--to", tmp_path / "out")
    before = state(relkit.folder)
    for arguments in (["ship", "Ixby Marrowlet"], ["checkout", "--sent-to", "Ixby Marrowlet"]):
        assert "is there already" in relkit.refused(2, *arguments, "--to", tmp_path / "out")
    assert state(relkit.folder) == before


# --- the machine


def test_permissions(relkit: Command, tmp_path: Path) -> None:
    """A bounce that may not be read is a bad bounce; a release that may not be written, exit code 7."""
    closed = written(tmp_path / "Lanterns clean.wav", wav(music(8, 0.2)))
    closed.chmod(0)
    before = state(relkit.folder)
    assert "Lanterns clean.wav may not be read" in relkit.refused(3, "commit", closed, as_anybody=True)
    assert state(relkit.folder) == before
    paths = [relkit.folder, *relkit.folder.rglob("*")]
    for path in paths:
        path.chmod(0o555 if path.is_dir() else 0o444)
    for arguments in (
        ["commit"],
        ["ship", "Ixby Marrowlet", "--kind", "club-dj"],
        ["withdraw", "abcd", "--reason", "x"],
        ["new", "sub", "--artist", "A", "--title", "T"],
    ):
        said = relkit.refused(7, *arguments, as_anybody=True)
        assert "permission denied" in said
    for arguments in (["history"], ["diff"], ["audit"], ["checkout", "1", "--to", str(tmp_path / "out")]):
        answer = relkit(*arguments, as_anybody=True)
        assert (answer.code, answer.err) == (0, ""), arguments
    for path in paths:
        path.chmod(0o755 if path.is_dir() else 0o644)
    assert state(relkit.folder) == before


def test_a_user_folder_that_cannot_be_written(relkit: Command) -> None:
    """The key is there to be used: commit works, and loses only the second look of audit."""
    shutil.rmtree(relkit.home / "known", ignore_errors=True)
    relkit.home.chmod(0o555)
    written(relkit.folder / "bounces/clean.wav", wav(music(8, 0.2)))
    answer = relkit("commit", as_anybody=True)
    assert (answer.code, answer.err) == (0, "")
    assert "Revision 2" in answer.out
    before = state(relkit.folder)
    said = relkit.refused(7, "ship", "Ixby", "--kind", "club-dj", as_anybody=True)
    assert "permission denied" in said
    assert recorded(relkit.folder) == {name: before[name] for name in recorded(relkit.folder)}
    relkit.home.chmod(0o755)


def _limited(relkit: Command, most_bytes: int, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the command where no file may become longer: what a full disk looks like to a program."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))

    return subprocess.run(
        relkit.arguments(*arguments),
        cwd=relkit.folder,
        env=relkit.environment(),
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        preexec_fn=limit,
    )


def test_a_full_disk(relkit: Command, tmp_path: Path) -> None:
    """Wherever the room ends: exit code 7, and the release as before; with room, it works."""
    bounce = written(tmp_path / "Lanterns clean.wav", wav(music(8, 1)))
    before = recorded(relkit.folder)
    for arguments in (
        ["commit", str(bounce)],
        ["ship", "Ixby Marrowlet", "--kind", "club-dj"],
        ["ship", "Ixby Marrowlet", "--kind", "club-dj", "--zip"],
    ):
        for most_bytes in (0, 3000, 100_000):
            done = _limited(relkit, most_bytes, *arguments)
            assert done.returncode == 7, (arguments, most_bytes, done)
            assert "no room left" in two_lines(done.stderr)
            assert recorded(relkit.folder) == before, (arguments, most_bytes)
    assert _limited(relkit, 0, "history").returncode == 0
    done = _limited(relkit, 100_000, "checkout", "1", "--to", str(tmp_path / "out"))
    assert done.returncode == 7
    assert not list((tmp_path / "out").rglob("*.wav"))
    assert not list((tmp_path / "out").rglob("*.part"))
    relkit.done("commit", bounce)
    relkit.done("ship", "Ixby Marrowlet", "--kind", "club-dj", "--zip")
    assert relkit.json("audit")["findings"] == []


def test_a_disk_that_was_full_at_the_start(relkit: Command, tmp_path: Path) -> None:
    """What an attempt of ``new`` left behind does not block the next."""
    arguments = ["new", str(tmp_path / "fresh"), "--artist", "Ostrel Vane", "--title", "Ferry"]
    assert _limited(relkit, 0, *arguments).returncode == 7
    assert _limited(relkit, 60, *arguments).returncode == 7
    relkit.done(*arguments)
    assert "has a " in relkit.refused(2, *arguments)


INTERRUPTED = """
import os, signal, sys
import relkit.{module} as module
def stop(*_: object, **__: object) -> None:
    os.kill(os.getpid(), signal.SIGINT)
    raise AssertionError("was not interrupted")
setattr(module, "{name}", stop)
from relkit.cli import main
main()
"""


@pytest.mark.parametrize(
    ("module", "name", "arguments"),
    [
        ("release.commit", "gather", ["commit"]),
        ("release.placing", "os.fsync", ["commit", "session"]),
        ("store.revisions", "write", ["commit"]),
        ("release.package_files", "_bodies", ["ship", "Ixby", "--kind", "club-dj"]),
    ],
)
def test_interrupted(relkit: Command, module: str, name: str, arguments: list[str]) -> None:
    """Ctrl-C: exit code 130, told in two lines, nothing recorded, nothing left lying about."""
    written(relkit.folder.parent / "session/clean.wav", wav(music(8, 0.3)))
    if arguments[-1] == "session":
        arguments = ["commit", str(relkit.folder.parent / "session/clean.wav")]
    if arguments == ["commit"]:
        written(relkit.folder / "bounces/clean.wav", wav(music(8, 0.3)))
    before = recorded(relkit.folder)
    script = INTERRUPTED.format(module=module, name=name)
    if name == "os.fsync":
        script = script.replace('setattr(module, "os.fsync", stop)', "module.os.fsync = stop")
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments],
        cwd=relkit.folder,
        env=relkit.environment(),
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 130, done
    assert "interrupted" in two_lines(done.stderr)
    assert done.stdout == ""
    assert recorded(relkit.folder) == before


def test_interrupted_from_outside(relkit: Command) -> None:
    """The signal that a terminal sends, while the command waits for another writer."""
    from relkit.store.locking import writing

    with writing(relkit.folder / ".relkit"):
        child = subprocess.Popen(
            relkit.arguments("commit"),
            cwd=relkit.folder,
            env=relkit.environment(),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        time.sleep(1.5)
        child.send_signal(signal.SIGINT)
        out, err = child.communicate(timeout=60)
    assert (child.returncode, out) == (130, "")
    assert "interrupted" in two_lines(err)


def test_a_mistake_of_our_own(relkit: Command) -> None:
    """No trace on the terminal; it is kept in a file that is named."""
    script = (
        "import relkit.release.history as module\n"
        "module.history = lambda *_, **__: 1 / 0\n"
        "from relkit.cli import main\nmain()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, "history"],
        cwd=relkit.folder,
        env=relkit.environment(),
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 7
    fault, hint, _end = done.stderr.split("\n")
    assert fault == "relkit: this is a mistake in relkit itself"
    kept = Path(hint.split(" with ")[1].rstrip("."))
    assert "ZeroDivisionError" in kept.read_text("utf-8")
