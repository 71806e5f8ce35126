"""Writes the JSON Schemas of what is signed to docs/reference: ``python -m tests.support.write_schemas``.

They are made from the models in ``relkit.manifest``. What a schema cannot say (safe names,
real days, twins) stays with the models, and the schema says so.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from relkit.manifest import (
    AcceptedRecord,
    OtherRecord,
    PackageManifest,
    RevisionManifest,
    ShippedRecord,
    WithdrawnRecord,
)

FOLDER = Path(__file__).resolve().parents[2] / "docs" / "reference"
_DIALECT = "https://json-schema.org/draft/2020-12/schema"
_MORE = (
    "Stored as RFC 8785 canonical JSON. Fields that are not listed are allowed, kept, and covered by the "
    "signature. relkit checks more than a schema can say: see docs/reference/trust.md."
)


def _schema(title: str, models: list[type[BaseModel]]) -> dict[str, Any]:
    """Return one schema for any of the models."""
    places, definitions = models_json_schema([(model, "validation") for model in models])
    names = [places[model, "validation"]["$ref"].rpartition("/")[2] for model in models]
    for name in names:
        model = definitions["$defs"][name]
        model["required"] = sorted({*model["required"], "type"})  # its default is for whoever writes one
        model["properties"]["type"].pop("default", None)
    known = [definitions["$defs"][name]["properties"]["type"].get("const") for name in names]
    for name in names:
        type_of = definitions["$defs"][name]["properties"]["type"]
        if "const" not in type_of:
            type_of["not"] = {"enum": sorted(filter(None, known))}
    return {
        "$schema": _DIALECT,
        "title": title,
        "description": _MORE,
        "oneOf": [{"$ref": f"#/$defs/{name}"} for name in names],
        **definitions,
    }


def schemas() -> dict[str, str]:
    """Return the text of every schema by its file name."""
    made: dict[str, list[type[BaseModel]]] = {
        "manifest": [RevisionManifest, PackageManifest],
        "record": [ShippedRecord, WithdrawnRecord, AcceptedRecord, OtherRecord],
    }
    return {
        f"{name}.schema.json": json.dumps(
            _schema(f"relkit {name}, format 1", models), indent=2, sort_keys=True, ensure_ascii=False
        )
        + "\n"
        for name, models in made.items()
    }


if __name__ == "__main__":
    for file_name, text in schemas().items():
        (FOLDER / file_name).write_text(text, encoding="utf-8")
