"""One writer at a time: a second waits or says who holds the release; nothing is lost."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from relkit.store.locking import writing
from tests.support.releases import Command, music, two_lines, wav, written


def test_commits_at_once(relkit: Command, tmp_path: Path) -> None:
    """Four at the same time, each with a bounce of its own: all four are recorded in the end."""
    names = ("clean", "explicit", "dj", "acapella")
    children = [
        subprocess.Popen(
            relkit.arguments("commit", written(tmp_path / f"Lanterns {name}.wav", wav(music(10 + n, 0.5)))),
            cwd=relkit.folder,
            env=relkit.environment(),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for n, name in enumerate(names)
    ]
    for name, child in zip(names, children, strict=True):
        out, err = child.communicate(timeout=120)
        if child.returncode == 6:  # a slow machine: it waited as long as it waits, and is asked again
            assert "is being written to by process" in two_lines(err)
            relkit.done("commit", tmp_path / f"Lanterns {name}.wav")
        else:
            assert (child.returncode, err) == (0, ""), out
    events = relkit.json("history")["events"]
    assert [event["revision"]["revision"] for event in events] == [5, 4, 3, 2, 1]
    newest = {entry["name"]: entry["size_bytes"] for entry in events[0]["revision"]["files"]}
    for n, name in enumerate(names):
        assert newest[f"bounces/{name}.wav"] == len(wav(music(10 + n, 0.5)))
        assert (relkit.folder / f"bounces/{name}.wav").read_bytes() == wav(music(10 + n, 0.5))
    assert relkit.json("audit")["findings"] == []


def test_shipping_and_committing_at_once(relkit: Command, tmp_path: Path) -> None:
    """Recipients of one name do not arise, and the chain holds."""
    bounce = written(tmp_path / "Lanterns clean.wav", wav(music(10, 0.5)))
    children = [
        subprocess.Popen(
            relkit.arguments(*arguments),
            cwd=relkit.folder,
            env=relkit.environment(),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for arguments in (
            ["ship", "Ixby Marrowlet", "--kind", "club-dj"],
            ["commit", str(bounce)],
            ["ship", "Ixby Marrowlet", "--kind", "club-dj"],
        )
    ]
    for child in children:
        _out, err = child.communicate(timeout=120)
        assert (child.returncode, err) in {(0, ""), (6, err)}
    recipients = json.loads((relkit.home / "recipients.json").read_text("utf-8"))["recipients"]
    assert len(recipients) == 1
    assert relkit.json("audit")["findings"] == []


IMPATIENT = """
import relkit.store.locking as locking
locking.writing.__wrapped__.__defaults__ = (0.3,)
from relkit.cli import main
main()
"""


def test_who_holds_it(relkit: Command) -> None:
    """After waiting, the second says which process it is; readers do not wait at all."""
    with writing(relkit.folder / ".relkit"):
        assert "first mix" in relkit.done("history")
        relkit.done("diff")
        done = subprocess.run(
            [sys.executable, "-c", IMPATIENT, "commit"],
            cwd=relkit.folder,
            env=relkit.environment(),
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )
    assert done.returncode == 6
    assert f"is being written to by process {os.getpid()} on " in two_lines(done.stderr)
