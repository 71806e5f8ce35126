"""Sets up a clone and runs every check: lint, format, types, and all tests with branch coverage.

    python3 -m tests

Makes a virtual environment in ``.venv`` and installs relkit into it with pip. The
tests are judged by outside tools too. On Debian and its kin what is missing is
installed with apt-get (as root, or through sudo); elsewhere it is listed, with
how to get it, and nothing runs: a missing tool is a failure, never a skip.

Exit codes: 0 all is well, 1 something failed, 7 something is missing on this machine.

Not here: making the environment (``example_release.setting_up``).
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

from example_release.setting_up import VENV_PYTHON, leave, require_python, run, set_up

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
    ("chromium", "chromium", "https://www.chromium.org"),
    ("tidy", "tidy", "https://www.html-tidy.org"),
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


def check() -> int:
    """Run every check, also after one has failed, and say at the end which did."""
    failed = []
    for name, command in CHECKS:
        print(f"\n== {name}: {' '.join(command)}", flush=True)
        if run([VENV_PYTHON, "-m", *command]) != 0:
            failed.append(name)
    print(f"\n== failed: {', '.join(failed)}" if failed else "\n== all checks passed")
    return 1 if failed else 0


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


if __name__ == "__main__":
    require_python()
    require_tools()
    set_up("[test]")
    sys.exit(check())
