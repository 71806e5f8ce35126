"""Runs headless Chromium, which shows a page as a person gets it, on files of this machine only."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path


def chromium(*arguments: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run Chromium to its end; it fails the test when it is not installed.

    Args:
        arguments: flags and the page; what the page says to its console goes to standard error.
        folder: for its profile, which also stands in for HOME.
    """
    return subprocess.run(
        [
            "chromium",
            "--headless",
            # Root, as in CI, gets no sandbox; the pages are our own.
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--no-first-run",
            "--hide-scrollbars",
            "--disable-background-networking",
            "--disable-component-update",
            "--host-resolver-rules=MAP * ~NOTFOUND",
            "--enable-logging=stderr",
            f"--user-data-dir={folder / 'profile'}",
            *arguments,
        ],
        env={"PATH": os.environ["PATH"], "HOME": str(folder), "LC_ALL": "C.UTF-8", "TZ": "UTC"},
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
