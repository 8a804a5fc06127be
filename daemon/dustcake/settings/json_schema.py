"""JSON Schema of the settings file, for editors, and for explaining what a setting allows."""

from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from dustcake.settings.model import Settings
from dustcake.units import Pressure

Schema = Mapping[str, Any]


class _AsWritten(GenerateJsonSchema):
    """TOML has no null: a setting that may be left out is simply not required.

    A default is given as it would be written in the file.
    """

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        if schema.get("default", ...) is None:
            return self.generate_inner(schema["schema"])
        return super().default_schema(schema)

    def encode_default(self, dft: Any) -> Any:
        if isinstance(dft, tuple):
            return [table.model_dump(exclude_none=True) for table in dft]
        return str(dft) if isinstance(dft, Pressure) else super().encode_default(dft)

    def field_title_should_be_set(self, schema: object) -> bool:
        """A title made of the name says nothing the name does not."""
        return False


@cache
def settings_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the settings file."""
    schema = Settings.model_json_schema(schema_generator=_AsWritten)
    return {"$schema": GenerateJsonSchema.schema_dialect, **schema}


@cache
def expanded_schema() -> Schema:
    """The schema with what is referred to in the place of each reference."""
    expanded: Schema = _expanded(settings_schema())
    return expanded


def _expanded(part: Any) -> Any:
    if isinstance(part, list):
        return [_expanded(each) for each in part]
    if not isinstance(part, dict):
        return part
    referred = settings_schema()["$defs"].get(str(part.get("$ref")).rpartition("/")[2], {})
    return {key: _expanded(each) for key, each in {**referred, **part}.items() if key != "$ref"}


def schema_at(location: tuple[int | str, ...]) -> Schema:
    """The schema of what may stand at ``location``, as the validator gives it; empty where nothing
    may."""
    schema = expanded_schema()
    for part in location:
        schema = _inside(schema, part) or {}
    return schema


def _inside(schema: Schema, part: int | str) -> Any:
    if isinstance(part, int):
        return dict(enumerate(schema.get("prefixItems", ()))).get(part, schema.get("items"))
    # In the place of several alternatives the validator names the one it has chosen.
    kinds = {one["properties"]["kind"]["const"]: one for one in schema.get("oneOf", ())}
    named = kinds or schema.get("properties", {})
    return named.get(part, schema.get("additionalProperties"))


def tables_with(key: str, schema: Schema | None = None, path: str = "") -> Iterator[str]:
    """Dotted paths of the tables in which ``key`` is a setting: in the whole file, or in the table
    at ``path`` that has this ``schema``."""
    schema = expanded_schema() if schema is None else schema
    properties = schema.get("properties", {})
    if key in properties:
        yield path
    for name, setting in properties.items():
        table = setting.get("items", setting)
        inner_path = f"{path}.{name}" if path else name
        yield from tables_with(key, table, inner_path)
        if isinstance(named := table.get("additionalProperties"), Mapping):
            yield from tables_with(key, named, f"{inner_path}.<name>")
    for alternative in schema.get("oneOf", ()):
        yield from tables_with(key, alternative, path)
