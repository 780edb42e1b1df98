"""Signal maps (DBC) and pack sheets (TOML).

The loaders are imported when they are first asked for, so that plain data costs nothing to import.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from decoder.maps.dbc_file import load_map
    from decoder.maps.sheet_file import load_sheet

__all__ = ["load_map", "load_sheet"]

_HOMES = {
    "load_map": "decoder.maps.dbc_file",
    "load_sheet": "decoder.maps.sheet_file",
}


def __getattr__(name: str) -> object:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(home), name)
