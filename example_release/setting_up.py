"""Makes a virtual environment in a clone and installs relkit into it; used by the two set-up commands.

    python3 -m example_release     the example release from beginning to end
    python3 -m tests               lint, types, and all tests with branch coverage

Not here: what either of them does then. Only the standard library is used, since nothing else is there yet.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
VENV_PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def require_python() -> None:
    """Leave if this Python is too old."""
    if sys.version_info < (3, 11):  # noqa: UP036 - this runs before anything has checked that
        leave(f"Python 3.11 or newer is needed; this is {sys.version.split()[0]}.", 7)


def set_up(extra: str) -> None:
    """Make ``.venv`` and install relkit there, unless that was done for this project file."""
    mark = VENV / f"relkit{extra}.installed"
    wanted = hashlib.sha256((ROOT / "pyproject.toml").read_bytes() + str(ROOT).encode()).hexdigest()
    if mark.exists() and mark.read_text(encoding="utf-8") == wanted and VENV_PYTHON.exists():
        return
    if not VENV_PYTHON.exists():
        make_venv()
    print(f"== installing relkit{extra} into {VENV}", flush=True)
    pip = [str(VENV_PYTHON), "-m", "pip", "--disable-pip-version-check", "install", "-q"]
    if run([*pip, "-e", f".{extra}"]) != 0:
        leave(f"pip could not install relkit into {VENV}; what it says is above.", 7)
    mark.write_text(wanted, encoding="utf-8")


def make_venv() -> None:
    """Make ``.venv``, pip included."""
    print(f"== making a virtual environment in {VENV}", flush=True)
    if run([sys.executable, "-m", "venv", VENV]) != 0:
        version = f"{sys.version_info.major}.{sys.version_info.minor}"
        leave(
            f"{sys.executable} could not make a virtual environment.\n"
            f"On Debian and its kin: apt-get install python{version}-venv; then delete {VENV} and try again.",
            7,
        )


def run(command: Sequence[str | Path]) -> int:
    """Run a program in the project's folder and return its exit code."""
    return subprocess.run([str(word) for word in command], cwd=ROOT, check=False).returncode


def leave(text: str, code: int) -> NoReturn:
    """Say why nothing more happens, and leave."""
    print(text, file=sys.stderr)
    sys.exit(code)
