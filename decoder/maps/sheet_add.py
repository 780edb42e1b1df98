"""Channel rules and what is known of the pack added to a pack sheet, of which nothing is lost.

New rules go behind the last one, so that those that are there count first. Before anything is written, the result is
read again and held against what it must say.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from decoder.errors import SheetError, Where
from decoder.maps.pack_sheet import PackSheet
from decoder.maps.sheet_file import parse_sheet, read_sheet_text
from decoder.maps.sheet_text import (
    BYTE_ORDER_MARK,
    block_end,
    inline_keys,
    rule_block,
    rule_keys,
    split_lines,
    without_lines,
)
from decoder.maps.toml_lines import header_lines, key_lines

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from decoder.maps.pack_sheet import ChannelRule


@dataclass(frozen=True, slots=True)
class PackFacts:
    """What became known of a pack; ``None`` where nothing did."""

    cells_in_series: int | None = None
    modules: int | None = None
    cells_per_module: int | tuple[int, ...] | None = None

    def missing_in(self, sheet: PackSheet) -> dict[str, int | list[int]]:
        """Give by its key what a sheet does not say yet."""
        found: dict[str, int | list[int]] = {}
        for key in ("cells_in_series", "modules", "cells_per_module"):
            value = getattr(self, key)
            if value is not None and getattr(sheet, key) is None:
                found[key] = list(value) if isinstance(value, tuple) else value
        return found


@dataclass(frozen=True, slots=True)
class SheetText:
    """A sheet with additions: its text, the lines that are new, and the file's bytes as they were (``None``: none)."""

    text: str
    lines: tuple[str, ...]
    old: bytes | None


def read_or_new(path: Path) -> tuple[PackSheet, bytes | None]:
    """Give the sheet at `path` and its bytes; an empty one and ``None`` where there is none. Raises `SheetError`."""
    if not path.exists() and not path.is_symlink():
        return PackSheet(path=str(path)), None
    text = read_sheet_text(path)
    return parse_sheet(text, str(path)), text.encode("utf-8")


def can_be_said(rule: ChannelRule) -> bool:
    """Whether a sheet may hold a rule: a place of its own can be none that the sheet knows."""
    try:
        parse_sheet(rule_block(rule))
    except (SheetError, ValueError):
        return False
    return True


def with_additions(
    sheet: PackSheet, old: bytes | None, rules: Sequence[ChannelRule], facts: Mapping[str, int | list[int]]
) -> SheetText:
    """Add rules and keys of ``[pack]`` to a sheet and its text. Raises `SheetError` where that cannot be done."""
    text = (old or b"").decode("utf-8")
    mark = BYTE_ORDER_MARK if text.startswith(BYTE_ORDER_MARK) else ""
    body = text.removeprefix(mark)
    all_crlf = "\n" in body and body.count("\r\n") == body.count("\n")
    where = Where(sheet.path)
    try:
        edited = _with_facts(body, facts) if facts else body
        edited = _with_rules(edited, rules) if rules else edited
    except (TOMLKitError, ValueError, LookupError, TypeError) as error:
        raise _cannot_add(where) from error
    edited = mark + (re.sub(r"(?<!\r)\n", "\r\n", edited) if all_crlf else edited)
    try:
        result = parse_sheet(edited, sheet.path)
        expected = parse_sheet("", sheet.path) if old is None else parse_sheet(text, sheet.path)
    except SheetError as error:
        raise error if old is not None and error.where == where else _cannot_add(where) from error
    if without_lines(replace(result, **{key: getattr(expected, key) for key in facts})) != without_lines(
        replace(expected, rules=(*expected.rules, *rules))
    ):
        raise _cannot_add(where)
    return SheetText(edited, _new_lines(body, edited.removeprefix(mark)), old)


def _new_lines(old: str, new: str) -> tuple[str, ...]:
    """Give the lines that the new text has beyond those of the old one, in its order."""
    kept = iter(old.splitlines())
    next_kept = next(kept, None)
    lines = []
    for line in new.splitlines():
        if line == next_kept:
            next_kept = next(kept, None)
        else:
            lines.append(line)
    return tuple(lines)


def _with_facts(body: str, facts: Mapping[str, int | list[int]]) -> str:
    if "pack" in inline_keys(body):
        document: Any = tomlkit.parse(body)
        for key, value in facts.items():
            document["pack"][key] = value
        return tomlkit.dumps(document)
    keys = [f"{key} = {value}\n" for key, value in facts.items()]
    lines, headers = split_lines(_ended(body)), header_lines(body)
    header = key_lines(body).get(("pack",))
    if header is not None and header in headers:
        at = block_end(lines, header - 1, headers)
        return "".join([*lines[:at], *keys, *lines[at:]])
    at = headers[0] - 1 if headers else len(lines)
    while at and headers and lines[at - 1].lstrip().startswith("#"):
        at -= 1
    before = ["\n"] if at and lines[at - 1].strip() else []
    return "".join([*lines[:at], *before, "[pack]\n", *keys, *(["\n"] if at < len(lines) else []), *lines[at:]])


def _with_rules(body: str, rules: Sequence[ChannelRule]) -> str:
    if "channels" in inline_keys(body):
        document: Any = tomlkit.parse(body)
        for rule in rules:
            table = tomlkit.inline_table()
            table.update(rule_keys(rule))
            document["channels"].append(table)
        return tomlkit.dumps(document)
    lines = split_lines(_ended(body))
    numbers = [line for key, line in key_lines(body).items() if len(key) == 2 and key[0] == "channels"]
    at = block_end(lines, max(numbers) - 1, header_lines(body)) if numbers else len(lines)
    blocks = [f"\n{rule_block(rule)}" for rule in rules]
    if not at:
        blocks[0] = blocks[0].lstrip("\n")
    return "".join([*lines[:at], *blocks, *lines[at:]])


def _ended(body: str) -> str:
    """Give a text whose last line has an end."""
    return body if not body or body.endswith("\n") else body + "\n"


def _cannot_add(where: Where) -> SheetError:
    return SheetError(
        "nothing can be added without changing something else, so the file is left as it was",
        where=where,
        expected="rules that begin with [[channels]], and a table [pack]",
        advice="write the rules by hand, or name another file with --sheet",
    )
