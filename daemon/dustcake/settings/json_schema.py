"""JSON Schema of the settings file, for editors, and for explaining what a setting allows."""

from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from dustcake.settings.model import Settings
from dustcake.units import Pressure

Schema = Mapping[str, Any]


class _WithoutNull(GenerateJsonSchema):
    """TOML has no null: a setting that may be left out is simply not required.

    A default is given as it would be written in the file.
    """

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        if schema.get("default", ...) is None:
            return self.generate_inner(schema["schema"])
        json_schema = super().default_schema(schema)
        if isinstance(schema.get("default"), Pressure):
            json_schema["default"] = str(schema["default"])
        elif isinstance(written := json_schema.get("default"), list):
            json_schema["default"] = [_without_null(each) for each in written]
        return json_schema

    def field_title_should_be_set(self, schema: object) -> bool:
        """A title made of the name says nothing the name does not."""
        return False


def _without_null(table: object) -> object:
    """A table of a default as it would be written."""
    if isinstance(table, Mapping):
        return {key: value for key, value in table.items() if value is not None}
    return table


@cache
def settings_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the settings file."""
    schema = Settings.model_json_schema(schema_generator=_WithoutNull)
    return {"$schema": GenerateJsonSchema.schema_dialect, **schema}


def resolved(schema: Schema) -> Schema:
    """``schema`` with a reference at its top followed."""
    while "$ref" in schema:
        target = settings_schema()["$defs"][schema["$ref"].removeprefix("#/$defs/")]
        schema = {**target, **{key: value for key, value in schema.items() if key != "$ref"}}
    return schema


def schema_at(location: tuple[int | str, ...], data: object) -> Schema:
    """The schema of what may stand at ``location`` of ``data``; empty where nothing may."""
    schema: Schema = settings_schema()
    for part in location:
        inner: object
        schema = _branch(resolved(schema), data)
        data = _inside(data, part)
        if isinstance(part, int):
            by_place = schema.get("prefixItems", ())
            inner = by_place[part] if part < len(by_place) else schema.get("items")
        else:
            inner = schema.get("properties", {}).get(part, schema.get("additionalProperties"))
        if not isinstance(inner, Mapping):
            return {}
        schema = inner
    return _branch(resolved(schema), data)


def _branch(schema: Schema, data: object) -> Schema:
    """The alternative of ``schema`` that the discriminator in ``data`` selects, if any."""
    mapping = schema.get("discriminator", {}).get("mapping", {})
    chosen = data.get("kind") if isinstance(data, Mapping) else None
    if isinstance(chosen, str) and chosen in mapping:
        return resolved({"$ref": mapping[chosen]})
    return schema


def _inside(data: object, part: int | str) -> object:
    if isinstance(data, Mapping):
        return data.get(part)
    if isinstance(data, list) and isinstance(part, int) and part < len(data):
        return data[part]
    return None


def tables_with(key: str, schema: Schema | None = None, path: str = "") -> Iterator[str]:
    """Dotted paths of the tables in which ``key`` is a setting: in the whole file, or in the table
    at ``path`` that has this ``schema``."""
    schema = resolved(settings_schema() if schema is None else schema)
    properties = schema.get("properties", {})
    if key in properties:
        yield path
    for name, entry in properties.items():
        setting = resolved(entry)
        table = resolved(setting.get("items", setting))
        inner_path = f"{path}.{name}" if path else name
        yield from tables_with(key, table, inner_path)
        if isinstance(named := table.get("additionalProperties"), Mapping):
            yield from tables_with(key, named, f"{inner_path}.<name>")
    for alternative in schema.get("oneOf", ()):
        yield from tables_with(key, alternative, path)
