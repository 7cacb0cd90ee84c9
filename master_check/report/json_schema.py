"""JSON Schema (draft 2020-12) of what every command prints with --json, made of the types in `json_types`.

No object may have a key that is not declared.
"""

from collections.abc import Mapping
from types import NoneType, UnionType
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin, get_type_hints, is_typeddict

from master_check.report import json_types
from master_check.tables.quantities import Quantity

PRINTED: Final = (
    json_types.ResultsJson,
    json_types.AlbumResultsJson,
    json_types.ComparisonResultsJson,
    json_types.PlanResultsJson,
    json_types.TagsResultsJson,
    json_types.RehearsalResultsJson,
    json_types.DeliveryResultsJson,
    json_types.VerificationResultsJson,
    json_types.CatalogueResultsJson,
    json_types.StemsResultsJson,
    json_types.SelftestResultsJson,
    json_types.ProfileResultsJson,
)
"""One for each command that prints JSON."""

_PLAIN: Final = {str: "string", bool: "boolean", int: "integer", float: "number", NoneType: "null"}


def schema() -> dict[str, Any]:
    """One schema for all commands: what is printed is exactly one of `PRINTED`."""
    definitions: dict[str, Any] = {}
    printed = [_schema(kind, definitions) for kind in PRINTED]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Results of sendoff",
        "oneOf": printed,
        "$defs": dict(sorted(definitions.items())),
    }


def _schema(kind: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    """Schema of a type; those of typed dicts go into `definitions`."""
    origin, parts = get_origin(kind), get_args(kind)
    if is_typeddict(kind):
        return _reference(kind, definitions)
    if origin is Annotated:
        return _by_key(parts[0], parts[1], definitions)
    if origin is Literal:
        return {"enum": list(parts)}
    if origin is list:
        return {"type": "array", "items": _schema(parts[0], definitions)}
    if origin is dict:
        return {"type": "object", "additionalProperties": _schema(parts[1], definitions)}
    if origin in (Union, UnionType):
        return _any_of([_schema(part, definitions) for part in parts])
    return {"type": _PLAIN[kind]}


def _reference(kind: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    name = kind.__name__.removesuffix("Json")
    if name not in definitions:
        definitions[name] = {}
        hints = get_type_hints(kind, include_extras=True)
        definitions[name] |= {
            "description": " ".join((kind.__doc__ or "").split()),
            "type": "object",
            "properties": {key: _schema(hint, definitions) for key, hint in hints.items()},
            "required": list(hints),
            "additionalProperties": False,
        }
    return {"$ref": f"#/$defs/{name}"}


def _by_key(kind: Any, keys: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    """A dict that has some of these keys, and no others; what stands in the table of quantities says what it is."""
    each = _schema(get_args(kind)[1], definitions)
    table = keys if isinstance(keys, Mapping) else dict.fromkeys(keys)
    return {
        "type": "object",
        "properties": {key: _of_quantity(quantity, each) for key, quantity in table.items()},
        "additionalProperties": False,
    }


def _of_quantity(quantity: Quantity | None, otherwise: dict[str, Any]) -> dict[str, Any]:
    if quantity is None:
        return otherwise
    told = {"title": quantity.title, "description": quantity.meaning}
    return {"type": ["string" if quantity.text else "number", "null"]} | told


def _any_of(schemas: list[dict[str, Any]]) -> dict[str, Any]:
    """Plain types are listed, others are alternatives."""
    if all(schema.keys() == {"type"} for schema in schemas):
        return {"type": [schema["type"] for schema in schemas]}
    return {"anyOf": schemas}
