"""The pack sheet's file: read it, and change a limit in it without touching the rest."""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from decoder.atomic import write_text
from decoder.errors import SheetError, UsageError, Where
from decoder.maps.pack_sheet import ChannelRule, PackSheet
from decoder.maps.patterns import fit, literal, placeholders
from decoder.maps.sheet_keys import SheetText, build_sheet
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
from decoder.printable import printable

# A sheet of a thousand modules is far smaller; what is larger is another file given by mistake.
MOST_BYTES = 4_000_000

_POSITION = re.compile(r"\(at line (\d+), column (\d+)\)")


def load_sheet(path: str | Path) -> PackSheet:
    """Read the pack sheet (TOML 1.0.0, UTF-8) at `path`.

    Raises `SheetError` with line and key where something in it is wrong.
    """
    return parse_sheet(read_sheet_text(Path(path)), str(path))


def parse_sheet(text: str, path: str | None = None) -> PackSheet:
    """Read a pack sheet from its text; `path` is what errors name. Raises `SheetError`."""
    text = text.removeprefix(BYTE_ORDER_MARK)
    try:
        document = tomllib.loads(text)
        lines = key_lines(text)
    except RecursionError as error:
        raise SheetError(
            "brackets are nested too deep", where=Where(path), expected="lists in lists at most (rows)"
        ) from error
    except ValueError as error:  # also numbers of thousands of digits and days that do not exist
        raise _not_toml(str(error), path) from error
    return build_sheet(document, SheetText(path, lines))


def set_channel_limit(path: str | Path, name: str, low: float | None, high: float | None) -> None:
    """Write the limits of the channel called `name` into the sheet at `path`.

    The sheet is made if it is not there. If the first rule that fits is for exactly this name, it is changed.
    Else a rule for this name is put before the first one, with a copy of what the rule that fitted until now
    says, so that nothing but the limits changes. Comments and order stay. ``None`` leaves a limit as it is.

    `low` and `high` are in the unit of the channel's quantity. Raises `SheetError` where the sheet is wrong
    already, `UsageError` where the limits or the name cannot be written, `OutputError` where the file cannot;
    the file is then as it was.
    """
    if low is None and high is None:
        return
    _check_request(name, low, high)
    path = Path(path)
    text = read_sheet_text(path) if path.exists() else ""
    sheet = parse_sheet(text, str(path))
    rule = next((rule for rule in sheet.rules if rule.match and fit(rule.match, name) is not None), None)
    changed = _changed_rule(rule, name, low, high)
    if changed.low is not None and changed.high is not None and changed.low > changed.high:
        raise UsageError(
            f"the low limit of '{printable(name, 60)}' ({changed.low:g}) would be above the high one "
            f"({changed.high:g})",
            expected="the low limit below the high one",
        )
    if rule is not None and rule.match == changed.match:
        index = sheet.rules.index(rule)
        rules = (*sheet.rules[:index], changed, *sheet.rules[index + 1 :])
    else:
        index = None
        rules = (changed, *sheet.rules)
    edited = _edited(text, index, changed, Where(str(path)))
    _check_edit(edited, replace(sheet, rules=rules), path)
    write_text(path, edited)


def read_sheet_text(path: Path) -> str:
    """Give the text of the sheet at `path`, its byte-order mark included. Raises `SheetError`."""
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise SheetError(
            f"cannot read the pack sheet ({reason})", where=Where(str(path)), expected="a TOML file"
        ) from error
    if len(content) > MOST_BYTES:
        raise SheetError(
            f"the file has more than {MOST_BYTES // 1_000_000} MB, so it is no pack sheet",
            where=Where(str(path)),
            expected="a TOML file",
        )
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise SheetError(
            f"the pack sheet is not UTF-8 text (byte {content[error.start]:02X})",
            where=Where(str(path), line, error.start + 1),
            expected="TOML, which is always UTF-8",
            advice="save the file as UTF-8",
        ) from error


def _not_toml(problem: str, path: str | None) -> SheetError:
    found = _POSITION.search(problem)
    line = int(found.group(1)) if found else None
    what = printable(_POSITION.sub("", problem).strip(), 200)
    if "integer string conversion" in what:
        what = "a number has thousands of digits"
    return SheetError(
        f"not TOML: {what}, column {found.group(2)}" if found else f"not TOML: {what}",
        where=Where(path, line),
        expected='lines such as key = 1.5, key = "text", key = [1, 2], [table] or [[channels]]',
    )


def _check_request(name: str, low: float | None, high: float | None) -> None:
    if any(limit is not None and not math.isfinite(limit) for limit in (low, high)):
        raise UsageError("a limit is not a number", expected="a number, or nothing to leave the limit as it is")
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        name = ""
    if not name:
        raise UsageError("a channel without a name that can be written cannot get a limit", expected="its name")


def _changed_rule(rule: ChannelRule | None, name: str, low: float | None, high: float | None) -> ChannelRule:
    """Give the rule for exactly `name`: what `rule` says, with the new limits.

    Placeholders of `rule` are not written out: the place goes on coming from that rule, which alone knows
    with all names together whether numbers count from 0.
    """
    before = rule if rule is not None else ChannelRule("")
    if placeholders(before.match):
        before = replace(before, module=None, cell=None, sensor=None)
    return replace(
        before,
        match=literal(name),
        low=before.low if low is None else float(low),
        high=before.high if high is None else float(high),
    )


def _edited(text: str, index: int | None, rule: ChannelRule, where: Where) -> str:
    """Give the text with the rule at `index` changed, or with a new first one where `index` is ``None``."""
    mark = BYTE_ORDER_MARK if text.startswith(BYTE_ORDER_MARK) else ""
    body = text.removeprefix(mark)
    all_crlf = "\n" in body and body.count("\r\n") == body.count("\n")
    try:
        if "channels" in inline_keys(body):
            edited = _edited_list(body, index, rule)
        elif index is None:
            edited = _with_block(body, rule_block(rule))
        else:
            edited = _with_changed_block(body, index, rule)
    except (TOMLKitError, ValueError, LookupError, TypeError) as error:
        raise _cannot_edit(where) from error
    return mark + (re.sub(r"(?<!\r)\n", "\r\n", edited) if all_crlf else edited)


def _edited_list(body: str, index: int | None, rule: ChannelRule) -> str:
    """Edit a sheet that writes its rules as one list, ``channels = [{...}, ...]``."""
    document: Any = tomlkit.parse(body)
    if index is not None:
        _set_limits(document["channels"][index], rule)
    else:
        table = tomlkit.inline_table()
        table.update(rule_keys(rule))
        document["channels"].insert(0, table)
    return tomlkit.dumps(document)


def _with_block(body: str, block: str) -> str:
    """Put a new ``[[channels]]`` block before the first one and the comment that stands on top of that."""
    lines = split_lines(body)
    first = key_lines(body).get(("channels", 0))
    if first is None:
        before = body if not body or body.endswith("\n") else body + "\n"
        return f"{before}\n{block}" if before else block
    start = first - 1
    while start and lines[start - 1].lstrip().startswith("#"):
        start -= 1
    return "".join([*lines[:start], block, "\n", *lines[start:]])


def _with_changed_block(body: str, index: int, rule: ChannelRule) -> str:
    """Change the limits in one ``[[channels]]`` block; all other lines are left exactly as they are."""
    lines = split_lines(body)
    start = key_lines(body)["channels", index] - 1
    end = block_end(lines, start, header_lines(body))
    block = "".join(lines[start:end])
    document: Any = tomlkit.parse(block if block.endswith("\n") else block + "\n")
    _set_limits(document["channels"][0], rule)
    return "".join([*lines[:start], tomlkit.dumps(document), *lines[end:]])


def _set_limits(table: Any, rule: ChannelRule) -> None:  # noqa: ANN401 - a tomlkit table of either form
    for key in ("low", "high"):
        value = getattr(rule, key)
        if value is not None and (key not in table or float(table[key]) != value):
            table[key] = value


def _check_edit(edited: str, expected: PackSheet, path: Path) -> None:
    """Hold the edited text against what it must say, before it takes the file's place."""
    try:
        result = parse_sheet(edited, str(path))
    except SheetError as error:
        raise _cannot_edit(Where(str(path))) from error
    if without_lines(result) != without_lines(expected):
        raise _cannot_edit(Where(str(path)))


def _cannot_edit(where: Where) -> SheetError:
    return SheetError(
        "the limit cannot be written without changing something else, so the file is left as it was",
        where=where,
        expected="rules that begin with [[channels]]",
        advice="write the limit into the file by hand",
    )
