"""The page of the storage format says what the store does."""

from __future__ import annotations

import json
import re
import textwrap

from relkit.store import chunking
from relkit.store.codings import NOMINAL_RATE_HZ
from relkit.store.layout import CODINGS, MAX_CHUNK_BYTES
from relkit.store.repository import MAX_PACKS
from relkit.store.restoring import read_layout
from relkit.store.revisions import IDENTITY
from tests.support.stores import ROOT, Store, as_bytes, git, music, wav

PAGE = (ROOT / "docs" / "reference" / "storage.md").read_text(encoding="utf-8")


def test_the_cutting_constants_are_the_codes() -> None:
    """Each row of the table."""
    rows = re.findall(r"^\| `([A-Z_]+)` \| ([0-9A-Fx,]+) \|", PAGE, re.MULTILINE)
    assert len(rows) == 5
    for name, value in rows:
        assert getattr(chunking, name) == int(value.replace(",", ""), 0), name


def test_the_config_is_the_one_that_is_written(store: Store) -> None:
    """Read by stock Git, not by us."""
    [printed] = re.findall(r"^`config`:\n\n((?:    .*\n)+)", PAGE, re.MULTILINE)
    section, expected = "", {}
    for line in textwrap.dedent(printed).splitlines():
        if line.startswith("["):
            section = line.strip("[]")
        else:
            name, value = line.split("=")
            expected[f"{section}.{name.strip()}".lower()] = value.split()[0]
    written = git(store.path, "config", "--local", "--list").decode().split()
    found = {line.partition("=")[0].lower(): line.partition("=")[2] for line in written}
    found["relkit.releaseid"] = "<the"
    assert found == expected


def test_the_examples_are_of_the_form_that_is_written(store: Store) -> None:
    """The format note to the byte; the layout by its names."""
    samples = music(2, 1)
    samples[30_000:40_000] = 0
    _, [stored] = store.commit(wav(as_bytes(samples, "int24")))
    note = git(store.path, "cat-file", "blob", "revisions:format").decode()
    assert f"\n    {note}\n" in PAGE
    layout = json.loads(git(store.path, "cat-file", "blob", f"revisions:content/{stored.sha256}/layout"))
    for part in [layout, *layout["parts"]]:
        for name in part:
            assert f'"{name}"' in PAGE
            assert f"`{name}`" in PAGE or name == "format"
    assert read_layout(store.repository, stored.tree)[0].size_bytes == stored.size_bytes


def test_the_other_numbers_and_names_are_true() -> None:
    """Whatever else the page states that the code knows."""
    for said in (
        f"at most {MAX_PACKS} packs",
        f"{MAX_CHUNK_BYTES >> 20} MiB",
        f"{NOMINAL_RATE_HZ:,} Hz",
        IDENTITY.decode(),
        *(f"`{coding}`" for coding in CODINGS),
    ):
        assert said in PAGE, said
