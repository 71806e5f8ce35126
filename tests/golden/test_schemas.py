"""The JSON Schemas in the documentation are those of the code, and say what the code says."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from relkit.manifest import BadManifestError, as_document, read_package, read_record, read_revision
from relkit.trust.canonical import canonical_bytes, parse_canonical
from tests.support.tiny_release import Tiny, document, full_history
from tests.support.write_schemas import FOLDER, schemas

Document = dict[str, Any]
Read = Callable[[Any], Any]


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> Tiny:
    """Real manifests and records."""
    return full_history(tmp_path_factory.mktemp("tiny"))


@pytest.fixture(scope="module")
def real(tiny: Tiny) -> list[tuple[str, Document, Read]]:
    """Return every kind once: its schema, the document, and what reads it."""
    with tiny.open() as release:
        events = release.history().events
    revision = next(event.revision for event in events if event.revision)
    withdrawal = next(event.record for event in events if event.record and event.record.type == "withdrawn")
    common = {name: document(withdrawal)[name] for name in ("format", "id", "release_id", "recorded_at")}
    reply = common | {"type": "of-a-later-version", "of": "0" * 64, "after": [], "verdict": "playing"}
    return [
        ("manifest", document(revision), lambda found: read_revision(found, what="x")),
        ("manifest", document(tiny.shipments[3].package), lambda found: read_package(found, what="x")),
        ("record", document(tiny.shipments[0].record), lambda found: read_record(found, what="x")),
        ("record", document(withdrawal), lambda found: read_record(found, what="x")),
        ("record", reply, lambda found: read_record(found, what="x")),
    ]


def validator(name: str) -> Draft202012Validator:
    """Return the committed schema."""
    return Draft202012Validator(json.loads((FOLDER / f"{name}.schema.json").read_text(encoding="utf-8")))


@pytest.mark.parametrize("name", ["manifest.schema.json", "record.schema.json"])
def test_the_committed_schemas_are_current(name: str) -> None:
    """Otherwise: python -m tests.support.write_schemas."""
    assert (FOLDER / name).read_text(encoding="utf-8") == schemas()[name]
    Draft202012Validator.check_schema(json.loads(schemas()[name]))


def test_real_ones_are_accepted(real: list[tuple[str, Document, Read]]) -> None:
    """By the schema and by the code."""
    for name, found, read in real:
        validator(name).validate(found)
        read(found)


def test_fields_that_are_not_known_pass_and_survive(real: list[tuple[str, Document, Read]]) -> None:
    """At the top and inside, read and written again, byte for byte."""
    for name, found, read in real:
        later = copy.deepcopy(found) | {"later": {"a": [1, 2.5, None, "\u266f"]}}
        if "files" in later:
            later["files"][0]["later"] = True
            later["release"]["later"] = "x"
        if "recipient" in later:
            later["recipient"]["later"] = [0]
        validator(name).validate(later)
        body = canonical_bytes(later)
        assert canonical_bytes(as_document(read(parse_canonical(body, what="x")))) == body


def broken(found: Document) -> list[Document]:
    """Return the document with each field of the top gone, of another type, or out of its range."""
    made = []
    optional = {"note", "session", "replaces", "channel", "despite", "never_sent", "verdict"}
    optional |= {"answers", "formats", "gates", "by"}  # added before anything was released
    for field in sorted(set(found) - optional):
        made.append({name: value for name, value in found.items() if name != field})
        made.append(found | {field: 1.5})
    made += [found | {"format": 2}, found | {"format": True}, found | {"release_id": "F" * 32}]
    made += [found | {"recorded_at": "2031-01-01"}]
    if "files" in found:
        for field in ("name", "sha256", "size_bytes", "role", "xxh3_128"):
            copied = copy.deepcopy(found)
            del copied["files"][0][field]
            made.append(copied)
    return made


def test_broken_ones_are_refused(real: list[tuple[str, Document, Read]]) -> None:
    """By the schema and by the code alike."""
    for name, found, read in real:
        for each in broken(found):
            assert not validator(name).is_valid(each), (
                found["type"],
                set(found) ^ set(each),
                each.get("format"),
            )
            with pytest.raises(BadManifestError):
                read(each)


def test_a_shipment_that_is_broken_is_no_other_record(real: list[tuple[str, Document, Read]]) -> None:
    """The types that are known are not read as unknown ones."""
    shipped = next(found for _name, found, _read in real if found["type"] == "shipped")
    without = {name: value for name, value in shipped.items() if name != "recipient"}
    assert not validator("record").is_valid(without)
    assert Path(FOLDER / "record.schema.json").exists()
