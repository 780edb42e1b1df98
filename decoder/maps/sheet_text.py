"""Pieces of a pack sheet's text: its lines, its rules as TOML, where a block ends."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import tomlkit

from decoder.maps.pack_sheet import ChannelRule, PackSheet
from decoder.maps.toml_lines import header_lines, key_lines

BYTE_ORDER_MARK = "\ufeff"


def split_lines(body: str) -> list[str]:
    """Split at line feeds only, as TOML counts lines (text can hold other characters that end a line)."""
    return re.findall(r"[^\n]*\n|[^\n]+\Z", body)


def inline_keys(body: str) -> set[str]:
    """Give the top keys that are written as ``key = value``, not as tables."""
    first = min(header_lines(body), default=None)
    return {str(key[0]) for key, line in key_lines(body).items() if len(key) == 1 and (first is None or line < first)}


def rule_block(rule: ChannelRule) -> str:
    """Give a rule as a ``[[channels]]`` block."""
    table = tomlkit.table()
    table.update(rule_keys(rule))
    document = tomlkit.document()
    blocks = tomlkit.aot()
    blocks.append(table)
    document["channels"] = blocks
    return tomlkit.dumps(document)


def rule_keys(rule: ChannelRule) -> dict[str, Any]:
    """Give what a rule says by its keys in the sheet, in the usual order."""
    values: dict[str, Any] = {}
    for key in ChannelRule.__dataclass_fields__:
        value = getattr(rule, key)
        if value is not None and key != "line":
            values[key] = list(value) if isinstance(value, tuple) else value
    return values


def without_lines(sheet: PackSheet) -> PackSheet:
    """Give a sheet whose rules do not say where they stand, to be compared."""
    return replace(sheet, rules=tuple(replace(rule, line=None) for rule in sheet.rules))


def block_end(lines: list[str], start: int, headers: list[int]) -> int:
    """Give the index behind the last key of the table that begins at `start`: before blanks and comments at its end."""
    end = min((line - 1 for line in headers if line - 1 > start), default=len(lines))
    while end > start + 1 and (not lines[end - 1].strip() or lines[end - 1].lstrip().startswith("#")):
        end -= 1
    return end
