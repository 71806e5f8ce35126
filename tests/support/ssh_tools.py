"""Runs stock ``ssh-keygen``, the outside judge of keys, signatures and lists of signers."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path


def ssh_keygen(
    *arguments: str | Path, folder: Path, message: bytes = b""
) -> subprocess.CompletedProcess[bytes]:
    """Run ssh-keygen away from the user's own files; it fails the test when it is not installed.

    Args:
        arguments: after the program's name.
        folder: working folder, which also stands in for HOME.
        message: goes to standard input.
    """
    return subprocess.run(
        ["ssh-keygen", *arguments],
        cwd=folder,
        env={"PATH": os.environ["PATH"], "HOME": str(folder), "LC_ALL": "C", "TZ": "UTC"},
        input=message,
        capture_output=True,
        check=False,
        timeout=60,
    )


def generated_key(folder: Path, name: str = "stock", *, passphrase: str = "", kind: str = "ed25519") -> Path:
    """Let ssh-keygen make a key pair; return the path of the private key."""
    made = ssh_keygen("-q", "-t", kind, "-N", passphrase, "-C", "stock", "-f", name, folder=folder)
    assert made.returncode == 0, made.stderr
    return folder / name
