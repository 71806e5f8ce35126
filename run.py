"""Sets up a clone and plays the example release, or runs every check.

    python3 run.py example     the example release from beginning to end
    python3 run.py tests       lint, types, and all tests with branch coverage

Both need Python 3.11 or newer and nothing else that is not here already: they
make a virtual environment in ``.venv`` and install relkit into it with pip. The
tests are judged by outside tools too. On Debian and its kin what is missing is
installed with apt-get (as root, or through sudo); elsewhere it is listed, with
how to get it, and nothing runs: a missing tool is a failure, never a skip.

Exit codes: 0 all is well, 1 something failed, 2 wrong usage, 7 something is
missing on this machine.

Not here: anything that relkit itself needs. Only the standard library is used.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

ROOT = Path(__file__).resolve().parent
VENV = ROOT / ".venv"
VENV_PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")

# Program, Debian package, where others find it.
TOOLS = (
    ("git", "git", "https://git-scm.com"),
    ("ssh-keygen", "openssh-client", "https://www.openssh.com, 8.8 or newer"),
    ("sox", "sox", "https://sox.sourceforge.net"),
    ("ffmpeg", "ffmpeg", "https://ffmpeg.org"),
    ("ffprobe", "ffmpeg", "https://ffmpeg.org"),
    ("flac", "flac", "https://xiph.org/flac"),
    ("metaflac", "flac", "https://xiph.org/flac"),
    ("mpg123", "mpg123", "https://mpg123.org"),
    ("exiftool", "libimage-exiftool-perl", "https://exiftool.org"),
    ("mediainfo", "mediainfo", "https://mediaarea.net/MediaInfo"),
    ("unzip", "unzip", "https://infozip.sourceforge.net"),
    ("sha256sum", "coreutils", "GNU coreutils"),
    ("bash", "bash", "https://www.gnu.org/software/bash"),
)
CHECKS = (
    ("lint", ["ruff", "check", "."]),
    ("format", ["ruff", "format", "--check", "."]),
    ("types", ["mypy"]),
    ("tests", ["pytest", "--cov", "--cov-report=term:skip-covered"]),
)


def main(words: Sequence[str]) -> int:
    """Do what the command line asks for."""
    if sys.version_info < (3, 11):  # noqa: UP036 - this file runs before anything has checked that
        leave(f"Python 3.11 or newer is needed; this is {sys.version.split()[0]}.", 7)
    if words[:1] == ["example"]:
        set_up("[example]")
        return run([VENV_PYTHON, "-m", "example_release.story", *words[1:]])
    if list(words) == ["tests"]:
        require_tools()
        set_up("[test]")
        return check()
    return leave(str(__doc__).split("Both need")[0].strip(), 2)


def check() -> int:
    """Run every check, also after one has failed, and say at the end which did."""
    failed = []
    for name, command in CHECKS:
        print(f"\n== {name}: {' '.join(command)}", flush=True)
        if run([VENV_PYTHON, "-m", *command]) != 0:
            failed.append(name)
    print(f"\n== failed: {', '.join(failed)}" if failed else "\n== all checks passed")
    return 1 if failed else 0


# --- the virtual environment


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


# --- outside tools


def require_tools() -> None:
    """Install what is missing where apt-get can; otherwise say what is missing and leave."""
    packages = missing()
    if packages and shutil.which("apt-get") and (apt := as_root("apt-get")):
        print(f"== installing {' '.join(packages)}", flush=True)
        os.environ.setdefault("DEBIAN_FRONTEND", "noninteractive")
        run([*apt, "update", "-q"])
        run([*apt, "install", "-q", "-y", "--no-install-recommends", *packages])
        packages = missing()
    if packages:
        leave(
            "The tests need outside tools that are not on this machine:\n"
            + "".join(f"  {package:<24} {where}\n" for package, where in packages.items())
            + "These are Debian's names of the packages; other systems have the same or similar ones.",
            7,
        )


def missing() -> dict[str, str]:
    """Return the packages whose programs are not here, each with where to find it."""
    found = {package: where for program, package, where in TOOLS if shutil.which(program) is None}
    if "sox" not in found and not sox_reads("aiff", "flac", "wav"):
        found["libsox-fmt-all"] = "sox with all its formats"
    try:
        import ensurepip  # noqa: F401 - Debian parts it from Python
    except ImportError:
        if not VENV_PYTHON.exists():
            found["python3-venv"] = "Python's own ensurepip module"
    return found


def sox_reads(*formats: str) -> bool:
    """Say whether sox was built with these formats."""
    said = subprocess.run(["sox", "--help"], capture_output=True, text=True, check=False).stdout
    known = said.partition("AUDIO FILE FORMATS:")[2].partition("\n")[0].split()
    return set(formats) <= set(known)


def as_root(program: str) -> list[str] | None:
    """Return how to run a program as root, or None where we cannot."""
    if os.geteuid() == 0:
        return [program]
    if shutil.which("sudo"):
        return ["sudo", program] if sys.stdin.isatty() else ["sudo", "-n", program]
    return None


# --- small things


def run(command: Sequence[str | Path]) -> int:
    """Run a program in the project's folder and return its exit code."""
    return subprocess.run([str(word) for word in command], cwd=ROOT, check=False).returncode


def leave(text: str, code: int) -> NoReturn:
    """Say why nothing more happens, and leave."""
    print(text, file=sys.stderr)
    sys.exit(code)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
