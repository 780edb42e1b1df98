"""Text from files made safe to show on a terminal.

A capture, a map or a sheet can hold escape sequences, markup, control characters and direction overrides.
They are shown as what they are, never obeyed.
"""

from __future__ import annotations

import unicodedata

# Unicode categories: control, format (direction overrides), surrogate, private use, unassigned, separators.
_UNSAFE = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


def printable(text: str, limit: int | None = None) -> str:
    r"""Give `text` with every character that a terminal could obey written as ``\x..`` or ``\u....``.

    Longer text than `limit` characters is cut and ends in an ellipsis.
    """
    shown = text if text.isascii() and text.isprintable() else "".join(map(_escaped, text))
    if limit is not None and len(shown) > limit:
        return shown[: limit - 1] + "…" if limit > 0 else ""
    return shown


def _escaped(character: str) -> str:
    if unicodedata.category(character) not in _UNSAFE:
        return character
    code = ord(character)
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
