"""The house rules that a machine can check: arrows, headers, sizes, what may be printed and caught."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

import relkit

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "relkit"
MODULES = sorted(PACKAGE.rglob("*.py"))
# Lowest first: a room may import those before it, and nothing after it.
ROOMS = (
    "errors", "filenames", "vocabulary", "bars", "sheet", "manifest", "audio",
    "measure", "trust", "store", "qc", "pack", "web", "release", "cli",
)  # fmt: skip
STRANGERS = {"measure", "trust", "store"}  # they do not know each other
DOORS = {"relkit/__init__.py": "release", "relkit/__main__.py": "cli"}  # what each leads to
HEAVY = ("numpy", "scipy", "soundfile", "dulwich", "cryptography", "PIL", "tomlkit", "pydantic", "xxhash")
MOST_LINES = 500
COMMAND = re.compile(r"``relkit [a-z]+``")  # a command's help says what its module is for


def name_of(path: Path) -> str:
    """Return a path as the repository knows it."""
    return path.relative_to(ROOT).as_posix()


def tracked() -> list[Path]:
    """Return every file in version control."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True).stdout
    return [path for name in listed.decode().split("\0") if name and (path := ROOT / name).is_file()]


def tree_of(path: Path) -> ast.Module:
    """Parse a module."""
    return ast.parse(path.read_text(encoding="utf-8"))


def imported(path: Path) -> Iterator[tuple[int, str]]:
    """Yield line and full name of whatever a module imports from relkit, at any depth."""
    here = path.relative_to(ROOT).with_suffix("").parts
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = [*here[: len(here) - node.level], *filter(None, [node.module])] if node.level else []
            module = ".".join(base) or node.module or ""
            yield node.lineno, module
            # "from relkit import cli" and "from relkit.release import ledger" name modules, too.
            yield from ((node.lineno, f"{module}.{alias.name}") for alias in node.names)


def backward(source: str, target: str) -> bool:
    """Say whether an arrow from one room to another is forbidden."""
    if source == target:
        return False
    return ROOMS.index(target) > ROOMS.index(source) or {source, target} <= STRANGERS


def test_every_module_lives_in_a_room() -> None:
    """A new room has to be put in its place in the order."""
    names = {path.relative_to(PACKAGE).parts[0].removesuffix(".py") for path in MODULES}
    assert names - {"__init__", "__main__"} <= set(ROOMS)


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_arrows_point_one_way(path: Path) -> None:
    """Imports inside functions and under TYPE_CHECKING count like all others."""
    room = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    source = DOORS.get(name_of(path), room)
    found = []
    for line, name in imported(path):
        first, _, rest = name.partition(".")
        target = rest.partition(".")[0]
        if first == "relkit" and target in ROOMS and backward(source, target):
            found.append(f"{name_of(path)}:{line} {source} -> {target}")
    assert not found


@pytest.mark.parametrize(
    ("source", "target", "forbidden"),
    [
        ("release", "store", False),
        ("store", "release", True),
        ("store", "trust", True),
        ("trust", "measure", True),
        ("release", "cli", True),
        ("audio", "audio", False),
    ],
)
def test_the_rule_itself(source: str, target: str, forbidden: bool) -> None:
    """The check above would pass anything if this did not hold."""
    assert backward(source, target) is forbidden


def test_imports_are_seen_in_every_form(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Plain, from, relative, inside a function, under TYPE_CHECKING."""
    monkeypatch.setitem(globals(), "ROOT", tmp_path)
    module = tmp_path / "relkit" / "store" / "x.py"
    module.parent.mkdir(parents=True)
    module.write_text(
        "import relkit.cli.app\nfrom relkit import qc\nfrom ..pack import names\n"
        "def f():\n    from relkit.release.api import Release\n"
    )
    assert {"relkit.cli.app", "relkit.qc", "relkit.pack", "relkit.release.api"} <= {
        name for _, name in imported(module)
    }


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_a_module_says_what_it_is_for(path: Path) -> None:
    """A header, and where to look for what is not here."""
    header = ast.get_docstring(tree_of(path))
    assert header, "no header"
    plain = path.name in {"__init__.py", "__main__.py"} or COMMAND.match(header)
    assert plain or "Not here:" in header


@pytest.mark.parametrize("path", [*MODULES, *sorted((ROOT / "example_release").glob("*.py"))], ids=name_of)
def test_no_module_outgrows_a_reader(path: Path) -> None:
    """A longer one says "Long because" in its header."""
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= MOST_LINES or "Long because" in (ast.get_docstring(tree_of(path)) or "")


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_only_the_command_line_prints(path: Path) -> None:
    """Everything below returns what it has to say."""
    if path.is_relative_to(PACKAGE / "cli"):
        return
    calls = [node for node in ast.walk(tree_of(path)) if isinstance(node, ast.Call)]
    assert not [call.lineno for call in calls if isinstance(call.func, ast.Name) and call.func.id == "print"]


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_whoever_catches_everything_says_why(path: Path) -> None:
    """A reason on the line, or in the remark above it; catching to raise again needs none."""
    lines = path.read_text(encoding="utf-8").splitlines()
    for node in ast.walk(tree_of(path)):
        if not isinstance(node, ast.ExceptHandler):
            continue
        wide = node.type is None or (isinstance(node.type, ast.Name) and node.type.id.endswith("Exception"))
        again = any(isinstance(part, ast.Raise) and part.exc is None for part in ast.walk(node))
        if wide and not again:
            above = lines[node.lineno - 2].strip()
            remark = re.sub(r"#\s*noqa:\s*[A-Z0-9, ]+", "", lines[node.lineno - 1])
            assert re.search(r"(#| - )\s*\w", remark) or above.startswith("#"), f"line {node.lineno}"


def test_no_path_of_somebodys_machine_is_kept() -> None:
    """Nothing in version control leads into a home or a work folder."""
    places = "|".join(("home/[a-z]", "Users/[A-Za-z]", "root/", "work/", "opt/venv", "tmp/pytest"))
    pattern = re.compile(rf"(?<![\w.~:/-])/(?:{places})")
    found = []
    for path in tracked():
        try:
            text = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
        found += [
            f"{name_of(path)}:{number}: {line.strip()}"
            for number, line in enumerate(text.splitlines(), 1)
            if pattern.search(line)
        ]
    assert not found


def test_one_version() -> None:
    """The project file and the package agree."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == relkit.__version__


def test_help_loads_nothing_heavy() -> None:
    """What takes long to import is imported where it is used."""
    code = (
        "import sys\nfrom typer.testing import CliRunner\nfrom relkit.cli.app import app\n"
        "assert CliRunner().invoke(app, ['--help']).exit_code == 0\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.strip() == "[]"
