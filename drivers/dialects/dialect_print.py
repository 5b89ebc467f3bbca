"""The effective dialect as TOML: everything that is stated, and every default that holds."""

from __future__ import annotations

import json
from typing import Any

from drivers.dialects.dialect_roles import Dialect

_TIMES = {"time", "query_delay", "write_delay"}
"""Keys whose numbers are seconds and are written with their unit."""
_TEMPERATURES = {"coldest", "hottest"}
"""The same for °C."""


def effective_text(dialect: Dialect) -> str:
    """TOML that reads back as `dialect`, with defaults written out."""
    data = dialect.model_dump(by_alias=True, exclude_none=True)
    lines = [f"{key} = {_value(key, value)}" for key, value in data.items() if _is_plain(value)]
    for key, value in data.items():
        if not _is_plain(value):
            lines += ["", f"[{key}]"]
            lines += [f"{inner} = {_value(inner, content)}" for inner, content in value.items()]
    return "\n".join(lines) + "\n"


def _is_plain(value: Any) -> bool:
    return not isinstance(value, dict)


def _value(key: str, value: Any) -> str:
    if isinstance(value, dict):
        inside = ", ".join(f"{_key(name)} = {_value(name, one)}" for name, one in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(_value(key, one) for one in value)}]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # within ASCII the escapes of JSON are among those of TOML's basic strings
        return json.dumps(value)
    if key in _TIMES:
        return f'"{value!r} s"'
    if key in _TEMPERATURES:
        return f'"{value!r} °C"'
    return repr(value)


def _key(name: str) -> str:
    return name if name.replace("_", "").replace("-", "").isalnum() else json.dumps(name)
