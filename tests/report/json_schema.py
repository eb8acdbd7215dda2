"""A small checker of JSON Schema 2020-12, for the words of it that the published schemas use.

Written from the specification (JSON Schema Core sections 8.2 and 10, Validation sections 6.1 to 6.5); it knows nothing
of the code that made the schemas. A word that it does not know is an error, so that none goes unchecked.
"""

import re
from typing import Any

ANNOTATIONS = {"$schema", "title", "description", "$defs"}
TYPES: dict[str, Any] = {
    "object": dict,
    "array": list,
    "string": str,
    "boolean": bool,
    "null": type(None),
    "number": (int, float),
}


def problems(schema: dict[str, Any], value: Any, root: dict[str, Any] | None = None, at: str = "$") -> list[str]:
    """Gives in words what of a value does not fit a schema."""
    root = schema if root is None else root
    found: list[str] = []
    for word, wanted in schema.items():
        if word in ANNOTATIONS:
            continue
        found += [
            f"{at}: {text}" if not text.startswith("$") else text for text in check(word, wanted, value, root, at)
        ]
    if isinstance(value, dict):
        found += _members(schema, value, root, at)
    if isinstance(value, list):
        found += _elements(schema, value, root, at)
    return found


def check(word: str, wanted: Any, value: Any, root: dict[str, Any], at: str) -> list[str]:
    """Gives what one word of a schema finds."""
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    match word:
        case "$ref":
            assert wanted.startswith("#/$defs/")
            return problems(root["$defs"][wanted.removeprefix("#/$defs/")], value, root, at)
        case "anyOf":
            return [] if any(not problems(each, value, root, at) for each in wanted) else ["fits none of anyOf"]
        case "type":
            return [] if _is_of(wanted, value) else [f"{value!r} is no {wanted}"]
        case "enum":
            return [] if value in wanted else [f"{value!r} is none of {wanted}"]
        case "minimum":
            return [f"{value} is below {wanted}"] if is_number and value < wanted else []
        case "maximum":
            return [f"{value} is above {wanted}"] if is_number and value > wanted else []
        case "pattern":
            return (
                [f"{value!r} has not the form {wanted}"]
                if isinstance(value, str) and not re.search(wanted, value)
                else []
            )
        case "minItems":
            return ["has too few items"] if isinstance(value, list) and len(value) < wanted else []
        case "maxItems":
            return ["has too many items"] if isinstance(value, list) and len(value) > wanted else []
        case "required":
            return [f"lacks {name}" for name in wanted if isinstance(value, dict) and name not in value]
        case "properties" | "additionalProperties" | "items" | "prefixItems":
            return []
        case _:
            raise AssertionError(f"the checker does not know {word!r}")


def _members(schema: dict[str, Any], value: dict[str, Any], root: dict[str, Any], at: str) -> list[str]:
    found = []
    properties = schema.get("properties", {})
    for name, each in value.items():
        below = properties.get(name, schema.get("additionalProperties", {}) if properties or schema else {})
        found += problems(below, each, root, f"{at}.{name}")
    return found


def _elements(schema: dict[str, Any], value: list[Any], root: dict[str, Any], at: str) -> list[str]:
    found = []
    first = schema.get("prefixItems", [])
    for number, each in enumerate(value):
        below = first[number] if number < len(first) else schema.get("items", {})
        if below is False:
            found.append(f"{at}[{number}]: nothing may stand here")
        elif below:
            found += problems(below, each, root, f"{at}[{number}]")
    return found


def _is_of(name: str, value: Any) -> bool:
    if name == "integer":
        return isinstance(value, int) and not isinstance(value, bool)
    if name == "number" and isinstance(value, bool):
        return False
    return isinstance(value, TYPES[name])
