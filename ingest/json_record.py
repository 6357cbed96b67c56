"""Records as JSON text and back. JSON has no NaN: it is written as null and read back as NaN."""

from __future__ import annotations

from typing import Any, TypeVar

import msgspec
from msgspec import inspect

T = TypeVar("T")


def encode(record: object) -> str:
    """JSON text of a Struct."""
    return msgspec.json.encode(record).decode()


def decode(text: str | bytes, kind: type[T]) -> T:
    """The Struct again.

    Raises
    ------
    msgspec.ValidationError
        If the text lacks a field or one has another type; null counts as NaN where a bare float is due.
    """
    try:
        return msgspec.json.decode(text, type=kind)
    except msgspec.ValidationError:
        return msgspec.convert(_with_nan(msgspec.json.decode(text), inspect.type_info(kind)), kind)


def _with_nan(value: Any, kind: inspect.Type) -> Any:
    """The same plain value, NaN for every null that stands where `kind` has a bare float."""
    if value is None:
        return float("nan") if isinstance(kind, inspect.FloatType) else None
    if isinstance(kind, inspect.UnionType):
        # Only an optional Struct can hide a float; unions of Structs are not used in records.
        struct = next((one for one in kind.types if isinstance(one, inspect.StructType)), None)
        return value if struct is None else _with_nan(value, struct)
    if isinstance(kind, inspect.StructType) and isinstance(value, dict):
        return {
            **value,
            **{
                field.encode_name: _with_nan(value[field.encode_name], field.type)
                for field in kind.fields
                if field.encode_name in value
            },
        }
    if isinstance(kind, inspect.VarTupleType | inspect.ListType) and isinstance(value, list):
        return [_with_nan(one, kind.item_type) for one in value]
    return value
