"""A release to try things on: short bounces from seeds, the command, and what a folder holds.

Bounces are written byte by byte (``tests.support.audio_bytes``), so that no
encoder decides what a test means.

Conventions
    samples    float64, shape (frames, 2), full scale 1.0
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from tests.support.audio_bytes import chunk, comm, fmt, form, rf64, riff, ssnd

ROOT = Path(__file__).resolve().parents[2]
RATE_HZ = 44_100
Samples = npt.NDArray[np.float64]

# What may differ although nothing was recorded.
_MAY_DIFFER = ("cache.sqlite", "cache.sqlite-journal", "lock", "lock.holder")


def music(seed: int, seconds: float = 1.0) -> Samples:
    """Return low noise at about -14 dBFS: compresses like music, repeats nowhere."""
    steps = np.random.default_rng(seed).standard_normal((round(seconds * RATE_HZ), 2))
    walk = np.cumsum(steps, axis=0)
    walk -= np.linspace(walk[0], walk[-1], len(walk))
    return np.asarray(walk / np.abs(walk).max() * 0.5, dtype=np.float64)


def muted(samples: Samples, start_s: float, length_s: float) -> Samples:
    """Return a copy with silence in it, as a clean edit has."""
    edited = samples.copy()
    edited[round(start_s * RATE_HZ) : round((start_s + length_s) * RATE_HZ)] = 0
    return edited


def pcm24(samples: Samples, order: str = "<") -> bytes:
    """Return 24-bit integers, low byte first or (">") last."""
    whole = np.round(samples * (2**23 - 1)).astype(f"{order}i4")
    octets = whole.view(np.uint8).reshape(-1, 4)
    return octets[:, :3].tobytes() if order == "<" else octets[:, 1:].tobytes()


def wav(samples: Samples, *more: bytes) -> bytes:
    """Return a 24-bit WAV; further chunks stand behind the audio."""
    return riff(chunk(b"fmt ", fmt()), chunk(b"data", pcm24(samples)), *more)


def wav_float32(samples: Samples) -> bytes:
    """Return a 32-bit float WAV."""
    return riff(chunk(b"fmt ", fmt(bits=32, tag=3)), chunk(b"data", samples.astype("<f4").tobytes()))


def wav_float64(samples: Samples) -> bytes:
    """Return a 64-bit float WAV: kept, not measured."""
    return riff(chunk(b"fmt ", fmt(bits=64, tag=3)), chunk(b"data", samples.astype("<f8").tobytes()))


def wav_rf64(samples: Samples) -> bytes:
    """Return a 24-bit RF64."""
    return rf64([chunk(b"fmt ", fmt())], pcm24(samples), [])


def aiff(samples: Samples) -> bytes:
    """Return a 24-bit AIFF of the same samples."""
    return form(comm(2, len(samples), 24, RATE_HZ), ssnd(pcm24(samples, ">")))


def written(path: Path, data: bytes) -> Path:
    """Write a file and return its path."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


def contents(folder: Path) -> dict[str, str]:
    """Return the digest of every file below a folder, by relative path; a link gives its target."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_symlink():
            found[path.relative_to(folder).as_posix()] = f"-> {path.readlink()}"
        elif path.is_file():
            found[path.relative_to(folder).as_posix()] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def state(release: Path) -> dict[str, str]:
    """Return what a release folder holds, but for what may differ although nothing was recorded."""
    return {
        name: digest
        for name, digest in contents(release).items()
        if not (name.startswith(".relkit/") and name.removeprefix(".relkit/") in _MAY_DIFFER)
    }


def recorded(release: Path) -> dict[str, str]:
    """Return the same without packs: one that nothing names may hold a package that was never sent."""
    return {name: digest for name, digest in state(release).items() if "/objects/pack/" not in name}


@dataclass(frozen=True)
class Answer:
    """What a command said."""

    code: int
    out: str
    err: str

    def json(self) -> Any:
        """Return the one JSON document that it printed; anything beside it fails."""
        return json.loads(self.out)


@dataclass(frozen=True)
class Command:
    """The real command, in processes of its own.

    Attributes:
        folder: where it is called.
        home: the user's folder.
    """

    folder: Path
    home: Path

    def environment(self) -> dict[str, str]:
        """Return an environment with nothing of the caller's but the path."""
        return {
            "PATH": os.environ["PATH"],
            "HOME": os.devnull,
            "RELKIT_HOME": str(self.home),
            "PYTHONPATH": str(ROOT),
            "LC_ALL": "C.UTF-8",
        }

    def arguments(self, *arguments: str | bytes | Path) -> list[str | bytes | Path]:
        """Return the whole command line."""
        return [sys.executable, "-m", "relkit", *arguments]

    def as_anybody(self, *arguments: str | bytes | Path) -> list[str | bytes | Path]:
        """Return the whole command line, with root's right to pass over permissions taken away."""
        rights = "-dac_override,-dac_read_search"
        without = ["setpriv", f"--bounding-set={rights}", f"--inh-caps={rights}"] if os.geteuid() == 0 else []
        return [*without, *self.arguments(*arguments)]

    def __call__(
        self, *arguments: str | bytes | Path, as_anybody: bool = False, env: Mapping[str, str] | None = None
    ) -> Answer:
        """Run a command to its end.

        Args:
            as_anybody: root, too, may read and write only what permissions allow.
            env: further environment.
        """
        done = subprocess.run(
            self.as_anybody(*arguments) if as_anybody else self.arguments(*arguments),
            cwd=self.folder,
            env=self.environment() | dict(env or {}),
            capture_output=True,
            check=False,
            timeout=120,
            stdin=subprocess.DEVNULL,
        )
        return Answer(done.returncode, done.stdout.decode(), done.stderr.decode())

    def done(self, *arguments: str | bytes | Path, env: Mapping[str, str] | None = None) -> str:
        """Run a command that must succeed, saying nothing on stderr."""
        answer = self(*arguments, env=env)
        assert (answer.code, answer.err) == (0, ""), answer
        return answer.out

    def json(self, *arguments: str | bytes | Path, env: Mapping[str, str] | None = None) -> Any:
        """Run a command that must succeed with ``--json``, and return its document."""
        return json.loads(self.done(*arguments, "--json", env=env))

    def refused(
        self,
        code: int,
        *arguments: str | bytes | Path,
        as_anybody: bool = False,
        env: Mapping[str, str] | None = None,
    ) -> str:
        """Run a command that must fail with one line of fault and one of hint; return both."""
        answer = self(*arguments, as_anybody=as_anybody, env=env)
        assert answer.code == code, answer
        return two_lines(answer.err)


def two_lines(err: str) -> str:
    """Check the form of a fault on stderr, and return it."""
    fault, hint, rest = err.split("\n")
    assert fault.startswith("relkit: "), err
    assert len(fault) > len("relkit: "), err
    assert hint.startswith("  "), err
    assert hint.strip(), err
    assert rest == "", err
    assert "Traceback" not in err
    assert "mistake in relkit" not in err
    return err
