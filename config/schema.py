"""The JSON Schema of a plant file, for editors."""

from typing import Any

from config.document import Document

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def plant_schema() -> dict[str, Any]:
    """The schema (draft 2020-12) that every sound plant file meets.

    It holds what a schema can say (keys, units, limits); loops, names that lead nowhere and orders of points are
    found by reading the file.
    """
    schema = Document.model_json_schema(by_alias=True)
    tables = schema["properties"]
    for table in tables.values():
        table.pop("default", None)
    return schema | {"$schema": DIALECT, "title": "Plant file"}
