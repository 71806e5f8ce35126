"""Runs what documentation prints in ``console`` blocks, and compares what comes out.

    $ a command         runs in bash; the blocks of one page share one folder
    any other line      must be what it printed, on stdout or stderr
    ...                 any number of lines

A command that fails must be followed by ``$ echo $?`` with its exit code.

What differs from day to day is tied to what the page prints: the first time that an id or
digest of the page meets an actual one they become a pair, and must stay one, also where a
later command uses it. ``TODAY`` on a page is the day of the test.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

TODAY = "2026-11-25"  # the day on which the pages say they were written
_BLOCK = re.compile(r"^```console\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_FINGERPRINT = re.compile(r"SHA256:[A-Za-z0-9+/]{43}|ssh-ed25519 [A-Za-z0-9+/]{68}")
_HEX = re.compile(r"\b(?=[0-9a-f]*[0-9])[0-9a-f]{8,64}\b")
_PAIR = 8  # an id and a digest are told apart by their first characters


def steps(page: str) -> list[tuple[str, list[str]]]:
    """Return every command of a page with the lines that it should print."""
    found: list[tuple[str, list[str]]] = []
    for block in _BLOCK.findall(page):
        for line in block.splitlines():
            if line.startswith("$ "):
                found.append((line.removeprefix("$ "), []))
            elif found[-1][0].endswith("\\"):
                command, said = found[-1]
                found[-1] = f"{command}\n{line}", said
            else:
                found[-1][1].append(line)
    return found


class Console:
    """One shell session in a folder of its own."""

    def __init__(self, folder: Path, top: Path) -> None:
        self._top = top
        self._where = folder
        self._music = folder
        self._home = top / "home"
        self._code = 0
        self._pairs: dict[str, str] = {}
        self._begun = datetime.now(UTC).date().isoformat()
        programs = top / "programs"
        programs.mkdir()
        relkit = programs / "relkit"
        relkit.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m relkit "$@"\n', encoding="utf-8")
        relkit.chmod(0o755)
        root = Path(__file__).resolve().parents[2]
        self._environment = {
            "PATH": f"{programs}{os.pathsep}{os.environ['PATH']}",
            "HOME": str(top),
            "RELKIT_HOME": str(self._home),
            "PYTHONPATH": str(root),
            "LANG": "C.UTF-8",
            "TZ": "UTC",
        }

    def step(self, command: str, expected: list[str]) -> None:
        """Run one command and compare.

        Raises:
            AssertionError: it printed something else, or failed and the page does not say so.
        """
        if command == "echo $?":
            said, code = [str(self._code)], 0
        else:
            assert self._code == 0, f"the page does not show that the command before this fails: $ {command}"
            said, code = self._run(command)
        self._compare(command, expected, said)
        self._code = code

    def finish(self) -> None:
        """Check that the last command did not fail unseen."""
        assert self._code == 0, "the page does not show that its last command fails"

    def _run(self, command: str) -> tuple[list[str], int]:
        for printed, actual in self._pairs.items():
            command = re.sub(rf"\b{printed}", actual, command)
        command = command.replace(TODAY, self._begun)
        state = self._top / "state"
        done = subprocess.run(
            ["bash", "-c", f'{command}\ncode=$?\nprintf "%s\\n%s" "$code" "$PWD" > "{state}"'],
            cwd=self._where,
            env=self._environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            encoding="utf-8",
            timeout=300,
            check=False,
        )
        code, where = state.read_text(encoding="utf-8").split("\n")
        self._where = Path(where)
        return done.stdout.splitlines(), int(code)

    def _compare(self, command: str, expected: list[str], said: list[str]) -> None:
        shown = "\n".join(said)
        at = 0
        skipping = False
        for line in expected:
            if line == "...":
                skipping = True
                continue
            while skipping and at < len(said) and self._shape(said[at]) != self._shape(line):
                at += 1
            skipping = False
            assert at < len(said), f"$ {command}\nshould print:\n{line}\nbut printed only:\n{shown}"
            assert self._shape(said[at]) == self._shape(line), f"$ {command}\nprinted:\n{shown}"
            self._pair(line, said[at])
            at += 1
        assert skipping or at == len(said), f"$ {command}\nprinted more than the page shows:\n{shown}"

    def _shape(self, line: str) -> str:
        """Return a line without what differs from day to day."""
        line = line.replace(str(self._home), "~/.config/relkit").replace(str(self._music), "/music")
        for day in (TODAY, self._begun, datetime.now(UTC).date().isoformat()):
            line = line.replace(day, "<today>")
        line = _FINGERPRINT.sub("<fingerprint>", line)
        return _HEX.sub(lambda found: f"<{len(found[0])} hex digits>", line)

    def _pair(self, printed: str, actual: str) -> None:
        for mine, theirs in zip(_HEX.findall(printed), _HEX.findall(actual), strict=True):
            known = self._pairs.setdefault(mine[:_PAIR], theirs[:_PAIR])
            assert known == theirs[:_PAIR], f"{mine} stood for {known} before and is {theirs} here"
