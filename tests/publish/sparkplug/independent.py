"""A second decoder of Sparkplug B payloads: Google's library, with a descriptor made here from the
field numbers of the open schema. It shares nothing with the daemon's own encoder."""

from collections.abc import Mapping
from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory

F = descriptor_pb2.FieldDescriptorProto
_U32, _U64, _FLOAT, _DOUBLE = F.TYPE_UINT32, F.TYPE_UINT64, F.TYPE_FLOAT, F.TYPE_DOUBLE
_BOOL, _STR, _BYTES, _MSG = F.TYPE_BOOL, F.TYPE_STRING, F.TYPE_BYTES, F.TYPE_MESSAGE

# message -> field -> (number, type, repeated, message type, in the oneof called value)
_MESSAGES: dict[str, dict[str, tuple[int, int, bool, str, bool]]] = {
    "PropertyValue": {
        "type": (1, _U32, False, "", False),
        "is_null": (2, _BOOL, False, "", False),
        "int_value": (3, _U32, False, "", True),
        "long_value": (4, _U64, False, "", True),
        "float_value": (5, _FLOAT, False, "", True),
        "double_value": (6, _DOUBLE, False, "", True),
        "boolean_value": (7, _BOOL, False, "", True),
        "string_value": (8, _STR, False, "", True),
    },
    "PropertySet": {
        "keys": (1, _STR, True, "", False),
        "values": (2, _MSG, True, "PropertyValue", False),
    },
    "Metric": {
        "name": (1, _STR, False, "", False),
        "alias": (2, _U64, False, "", False),
        "timestamp": (3, _U64, False, "", False),
        "datatype": (4, _U32, False, "", False),
        "is_historical": (5, _BOOL, False, "", False),
        "is_transient": (6, _BOOL, False, "", False),
        "is_null": (7, _BOOL, False, "", False),
        "properties": (9, _MSG, False, "PropertySet", False),
        "int_value": (10, _U32, False, "", True),
        "long_value": (11, _U64, False, "", True),
        "float_value": (12, _FLOAT, False, "", True),
        "double_value": (13, _DOUBLE, False, "", True),
        "boolean_value": (14, _BOOL, False, "", True),
        "string_value": (15, _STR, False, "", True),
        "bytes_value": (16, _BYTES, False, "", True),
    },
    "Payload": {
        "timestamp": (1, _U64, False, "", False),
        "metrics": (2, _MSG, True, "Metric", False),
        "seq": (3, _U64, False, "", False),
        "uuid": (4, _STR, False, "", False),
        "body": (5, _BYTES, False, "", False),
    },
}
PACKAGE = "independent"


def _payload_class() -> Any:
    file = descriptor_pb2.FileDescriptorProto(name=f"{PACKAGE}.proto", package=PACKAGE)
    file.syntax = "proto2"
    for name, fields in _MESSAGES.items():
        message = file.message_type.add(name=name)
        if any(in_value for *_, in_value in fields.values()):
            message.oneof_decl.add(name="value")
        for field_name, (number, kind, repeated, of, in_value) in fields.items():
            field = message.field.add(name=field_name, number=number)
            field.type = kind  # type: ignore[assignment]
            field.label = F.LABEL_REPEATED if repeated else F.LABEL_OPTIONAL
            if of:
                field.type_name = f".{PACKAGE}.{of}"
            if in_value:
                field.oneof_index = 0
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return message_factory.GetMessageClass(pool.FindMessageTypeByName(f"{PACKAGE}.Payload"))


Payload: Any = _payload_class()


def parsed(data: bytes) -> Any:
    """``data`` as the library reads it, which would have written the same bytes."""
    payload = Payload.FromString(data)
    assert payload.SerializeToString() == data
    return payload


def value_of(metric: Any) -> Any:
    """The value of a metric as it is on the wire, None where there is none."""
    kind = metric.WhichOneof("value")
    return None if kind is None else getattr(metric, kind)


def quality_of(metric: Any) -> int:
    """The property `Quality`, which must be there and of type Int32."""
    (at,) = [i for i, key in enumerate(metric.properties.keys) if key == "Quality"]
    found = metric.properties.values[at]
    assert found.type == 3
    assert found.WhichOneof("value") == "int_value"
    quality: int = found.int_value
    return quality


def command(timestamp_ms: int | None, metrics: Mapping[str | int, Any]) -> bytes:
    """A command as a host application sends it: values by name or alias."""
    payload = Payload()
    if timestamp_ms is not None:
        payload.timestamp = timestamp_ms
    for which, value in metrics.items():
        _add(payload, which, value)
    data: bytes = payload.SerializeToString()
    return data


def _add(payload: Any, which: str | int, value: Any) -> None:
    """Add a metric, by name or by alias, without a type, as commands have it."""
    metric = payload.metrics.add()
    if isinstance(which, int):
        metric.alias = which
    else:
        metric.name = which
    if isinstance(value, bool):
        metric.boolean_value = value
    elif isinstance(value, str):
        metric.string_value = value
    elif isinstance(value, float):
        metric.double_value = value
    elif value is not None:
        metric.int_value = value
