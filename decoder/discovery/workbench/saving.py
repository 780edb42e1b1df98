"""The work written into a signal map and a pack sheet.

What stands in a map that a person made is only added to. A map that holds nothing but this work is made anew, so that
what was changed on the bench changes there too.
"""

from __future__ import annotations

import hashlib
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from decoder.discovery.drafting import draft
from decoder.errors import OutputError, UsageError, Where
from decoder.maps.kept_file import replace_kept

if TYPE_CHECKING:
    from collections.abc import Mapping

    from decoder.discovery.drafting import Drafted
    from decoder.discovery.field_at import StreamKey
    from decoder.discovery.workbench.history import History
    from decoder.discovery.workbench.work import Work


def save_to_map(
    history: History, map_path: Path, sheet_path: Path | None, capture: str, lengths: Mapping[StreamKey, int]
) -> tuple[str, Drafted]:
    """Write all meanings; give the map's digest where nothing but this work is in it, and what was drafted.

    lengths : payload bytes of each stream

    Raises `UsageError` where there is nothing to write, and what `decoder.discovery.drafting.draft` raises.
    """
    work = history.work
    if not work.meanings:
        raise UsageError("there is no field of yours to save", advice="take a proposed one with enter, or add one")
    before = _content(map_path)
    is_own = before is None or (str(map_path) == history.map_path and _digest(before) == history.map_digest)
    if before is not None and is_own:
        drafted = _anew(work, map_path, before, sheet_path, capture, lengths)
    else:
        drafted = draft(work.meanings, map_path, sheet_path, capture, lengths=lengths)
    now = _content(map_path)
    return (_digest(now) if is_own and now is not None else ""), drafted


def _anew(
    work: Work,
    map_path: Path,
    before: bytes,
    sheet_path: Path | None,
    capture: str,
    lengths: Mapping[StreamKey, int],
) -> Drafted:
    with tempfile.TemporaryDirectory(prefix="cellglean-") as folder:
        drafted_path = Path(folder) / map_path.name
        drafted = draft(work.meanings, drafted_path, sheet_path, capture, lengths=lengths)
        after = _content(drafted_path) or b""
    if after == before:
        return drafted
    return replace(drafted, map_backup=replace_kept(map_path, before, after))


def _content(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise OutputError(
            f"cannot read the file ({getattr(error, 'strerror', None) or error})",
            where=Where(str(path)),
            advice="choose another place",
        ) from error


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def drafted_words(drafted: Drafted, map_path: Path) -> str:
    """Say what was written, in one line."""
    signals = sum(one.meaning is not None for one in drafted.added)
    parts = [f"{signals} channel{'s' * (signals != 1)} written to {map_path.name}"]
    there = sum(one.is_there for one in drafted.skipped)
    if there:
        parts.append(f"{there} there already")
    refused = [one for one in drafted.skipped if not one.is_there]
    if refused:
        parts.append(f"{len(refused)} left out: {refused[0].reason}")
    if drafted.map_backup is not None:
        parts.append(f"the map before is kept as {drafted.map_backup.name}")
    return "; ".join(parts)
