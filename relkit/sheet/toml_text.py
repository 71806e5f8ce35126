"""Values and keys as TOML writes them; the escaping is tomlkit's.

Not here: reading (``tomllib``).
"""

from __future__ import annotations

import re

_BARE = re.compile(r"[A-Za-z0-9_-]+")


def as_value(value: str | list[str]) -> str:
    """Write a text or a list of texts."""
    import tomlkit

    return tomlkit.item(value).as_string()


def as_key(name: str) -> str:
    """Write a key, quoted only where it must be."""
    return name if _BARE.fullmatch(name) else as_value(name)
