"""Records as JSON text and back. JSON knows neither NaN (null here) nor infinity ("Infinity" here)."""

from __future__ import annotations

import math
from typing import Any, TypeVar

import msgspec
from msgspec import inspect

T = TypeVar("T")
INFINITIES = {"Infinity": math.inf, "-Infinity": -math.inf}


def encode(record: object) -> str:
    """JSON text of a Struct."""
    plain = msgspec.to_builtins(record, builtin_types=(bytes, bytearray))
    return msgspec.json.encode(_named(plain) if _infinite(plain) else record).decode()


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


def _infinite(plain: Any) -> bool:
    if isinstance(plain, dict):
        return any(map(_infinite, plain.values()))
    if isinstance(plain, list | tuple):
        return any(map(_infinite, plain))
    return isinstance(plain, float) and math.isinf(plain)


def _named(plain: Any) -> Any:
    """The same with every infinity as its name; msgspec would write null, which is read back as NaN."""
    if isinstance(plain, dict):
        return {key: _named(value) for key, value in plain.items()}
    if isinstance(plain, list | tuple):
        return [_named(value) for value in plain]
    if isinstance(plain, float) and math.isinf(plain):
        return "Infinity" if plain > 0 else "-Infinity"
    return plain


def _with_nan(value: Any, kind: inspect.Type) -> Any:
    """The same plain value: where `kind` has a float, infinities by name and NaN for null if it is bare."""
    if value is None:
        return float("nan") if isinstance(kind, inspect.FloatType) else None
    if isinstance(kind, inspect.FloatType):
        return INFINITIES.get(value, value) if isinstance(value, str) else value
    if isinstance(kind, inspect.UnionType):
        if isinstance(value, str) and any(isinstance(one, inspect.FloatType) for one in kind.types):
            return INFINITIES.get(value, value)
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
