"""What was measured, as Markdown: facts of the machine, tables, and which targets were met.

Not here: measuring.
"""

from __future__ import annotations

import os
import platform
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import soundfile

SECTION = "measured"
_LIBRARIES = ("numpy", "dulwich", "plibflac", "soundfile", "xxhash", "cryptography", "pydantic", "typer")


@dataclass(frozen=True)
class Target:
    """Something that has to hold."""

    what: str
    measured: str
    wanted: str
    met: bool


@dataclass
class Report:
    """Tables and targets, in the order in which they came."""

    parts: list[str] = field(default_factory=list)
    targets: list[Target] = field(default_factory=list)

    def text(self, *lines: str) -> None:
        """Add a paragraph."""
        self.parts.append("\n".join(lines))

    def table(self, title: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """Add a table; all columns but the first hold numbers."""
        ruler = ["---", *["---:"] * (len(head) - 1)]
        lines = ["| " + " | ".join(row) + " |" for row in (head, ruler, *rows)]
        self.parts.append(f"### {title}\n\n" + "\n".join(lines))

    def at_least(self, what: str, measured: float, wanted: float, unit: str = "") -> None:
        """Note a target that must be reached."""
        self._target(what, f"{measured:.1f}{unit}", f"at least {wanted:g}{unit}", measured >= wanted)

    def at_most(self, what: str, measured: float, wanted: float, unit: str = "") -> None:
        """Note a target that must not be passed."""
        self._target(what, f"{_short(measured)}{unit}", f"at most {wanted:g}{unit}", measured <= wanted)

    def _target(self, what: str, measured: str, wanted: str, met: bool) -> None:
        self.targets.append(Target(what, measured, wanted, met))

    @property
    def all_met(self) -> bool:
        """Whether every target was met."""
        return all(target.met for target in self.targets)

    def markdown(self) -> str:
        """Return everything, targets last."""
        rows = [
            [target.what, target.measured, target.wanted, "met" if target.met else "**missed**"]
            for target in self.targets
        ]
        whole = Report([*self.parts])
        whole.table("Targets", ["", "measured", "target", ""], rows)
        return "\n\n".join(whole.parts) + "\n"


def marks(section: str) -> tuple[str, str]:
    """Return what stands in a page before and after the tables of a section."""
    return f"<!-- {section}: begin -->", f"<!-- {section}: end -->"


def write(markdown: str, file: Path, section: str = SECTION) -> None:
    """Put the tables into a page between the section's two marks, or into a file of their own.

    Raises:
        ValueError: the page is there and has no marks.
    """
    begin_mark, end_mark = marks(section)
    if not file.exists():
        file.write_text(markdown, encoding="utf-8")
        return
    before, begin, rest = file.read_text(encoding="utf-8").partition(begin_mark)
    _, end, after = rest.partition(end_mark)
    if not begin or not end:
        raise ValueError(f"{file.name} has no lines {begin_mark} and {end_mark}; nothing was written over")
    file.write_text(f"{before}{begin}\n\n{markdown}\n{end}{after}", encoding="utf-8")


def machine() -> str:
    """Return date, machine and versions, without anything that names a place or a person."""
    libraries = ", ".join(f"{name} {version(name)}" for name in _LIBRARIES)
    programs = f"{_said('git', '--version')}, {_said('ffmpeg', '-version')}"
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    load = os.getloadavg()
    return (
        f"Measured on {datetime.now(UTC):%Y-%m-%d} with {_processor()}, {os.cpu_count()} cores, "
        f"{memory:.0f} GiB of memory, {platform.system()} {platform.release()}; "
        f"{platform.python_implementation()} {platform.python_version()}, {libraries}, "
        f"libsndfile {soundfile.__libsndfile_version__}, {programs}. "
        f"Load average when it began: {load[0]:.2f} (1 min), {load[1]:.2f} (5 min)."
    )


def _processor() -> str:
    info = Path("/proc/cpuinfo")
    lines = info.read_text(encoding="utf-8").splitlines() if info.exists() else []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.machine()


def _said(*command: str) -> str:
    """Return name and version from a program's first line."""
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    return " ".join(said.splitlines()[0].split()[:3])


def _short(value: float) -> str:
    return f"{value:.0f}" if value >= 10 else f"{value:.3f}"


def seconds(value: float) -> str:
    """Write a time."""
    return f"{value:.3f} s" if value < 1 else f"{value:.2f} s"


def times(value: float) -> str:
    """Write a ratio."""
    return f"{value:.1f} x" if value >= 1 else f"{value:.2f} x"


def megabytes(count: int) -> str:
    """Write a size, in powers of ten."""
    return f"{count / 1e6:,.1f} MB" if count >= 1e5 else f"{count / 1e3:,.1f} kB"


def share(part: int, whole: int) -> str:
    """Write a part of a whole."""
    return f"{100 * part / whole:.1f} %" if part * 100 > whole else f"{100 * part / whole:.3f} %"
