"""What starts with a command: only what it needs. Speed itself is a matter for the benchmark."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.releases import Command, music, wav, written

HEAVY = {
    "numpy",
    "scipy",
    "soundfile",
    "dulwich",
    "cryptography",
    "pydantic",
    "PIL",
    "tomlkit",
    "rich",
    "xxhash",
}

LISTED = """
import atexit, json, os, sys
def tell() -> None:
    os.write(2, json.dumps(sorted({name.split(".")[0] for name in sys.modules})).encode())
atexit.register(tell)
from relkit.cli import main
main()
"""


def _imported(relkit: Command, *arguments: str) -> set[str]:
    """Run a command; return the heavy packages that it imported."""
    done = subprocess.run(
        [sys.executable, "-c", LISTED, *arguments],
        cwd=relkit.folder,
        env=relkit.environment(),
        capture_output=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    return HEAVY & set(json.loads(done.stderr))


@pytest.mark.parametrize("arguments", [("--help",), ("commit", "--help"), ("--version",), ()])
def test_help_needs_nothing(relkit: Command, arguments: tuple[str, ...]) -> None:
    """Typer alone; some versions of it convert a command's values with pydantic."""
    assert _imported(relkit, *arguments) <= ({"pydantic"} if "commit" in arguments else set())


def test_history_needs_no_audio(relkit: Command) -> None:
    """Records and the store, no samples, no keys, no pictures."""
    relkit.done("ship", "Ixby Marrowlet", "--kind", "club-dj")
    assert _imported(relkit, "history") <= {"dulwich", "pydantic", "xxhash"}


def test_nothing_changed_needs_no_audio(relkit: Command) -> None:
    """Seven untouched files: neither numpy nor an audio library is loaded to say so."""
    for number, name in enumerate(("acapella", "acapella-clean", "dj", "dj-clean")):
        written(relkit.folder / f"bounces/{name}.wav", wav(music(number, 0.2)))
    relkit.done("commit")
    for _ in range(2):  # files may be too fresh to trust their time stamps, or not: neither needs samples
        loaded = _imported(relkit, "commit")
        assert not loaded & {"numpy", "scipy", "soundfile", "PIL"}, loaded
    assert "Nothing has changed" in relkit.done("commit")


def test_each_command_has_help_with_exit_codes(relkit: Command) -> None:
    """Programs that call relkit find out what its exit codes mean."""
    help_of_all = relkit.done("--help")
    for name in (
        "new",
        "commit",
        "history",
        "diff",
        "ship",
        "checkout",
        "withdraw",
        "verify",
        "audit",
        "signer",
    ):
        assert name in help_of_all
        said = relkit.done(name, "--help")
        assert name == "signer" or "Exit codes" in said.replace("\n", " "), name
        assert name == "signer" or "--json" in said


def test_the_installed_command() -> None:
    """``python -m relkit`` and the console command are one."""
    beside = Path(sys.executable).with_name("relkit")
    said = [
        subprocess.run(call, capture_output=True, text=True, check=True, timeout=60).stdout
        for call in ([str(beside), "--version"], [sys.executable, "-m", "relkit", "--version"])
    ]
    assert said[0] == said[1]
