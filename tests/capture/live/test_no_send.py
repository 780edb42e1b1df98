"""Nothing is ever sent: no code of the package calls what puts frames on a bus."""

from __future__ import annotations

import ast
import socket
from pathlib import Path

import can
import pytest

import decoder

PACKAGE = Path(decoder.__file__).parent
FILES = sorted(PACKAGE.rglob("*.py"))

# What a bus of python-can has beyond listening, and python-can's own tools that send for others.
SENDS = {name for name in dir(can.BusABC) if "send" in name} | {"flush_tx_buffer"}
SENDERS = {
    name for name in dir(can) if any(word in name for word in ("Send", "Cyclic", "Player", "Task", "MessageSync"))
}
# What a socket has.
SOCKETS = {name for name in dir(socket.socket) if name.startswith("send")}
# A pipe's way to another process of our own: bytes, which no bus takes.
PIPES = {"send_bytes"}


def calls_of(tree):
    """Every name behind a dot, every bare name, and every text that `getattr` could take for one."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute):
            yield node.attr, node.lineno
        elif isinstance(node, ast.Name):
            yield node.id, node.lineno
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value, node.lineno
        elif isinstance(node, ast.alias):
            yield node.name, 0


def breaches(text):
    for name, line in calls_of(ast.parse(text)):
        if name in SENDS | SENDERS | SOCKETS or (name.startswith("send_") and name not in PIPES):
            yield name, line


def test_python_can_still_calls_it_send():
    assert {"send", "send_periodic", "_send_periodic_internal"} <= SENDS
    assert {"CyclicSendTaskABC", "MessageSync"} <= SENDERS


def test_no_file_of_the_package_can_send():
    assert len(FILES) > 100
    assert {str(file): found for file in FILES if (found := list(breaches(file.read_text("utf-8"))))} == {}


@pytest.mark.parametrize(
    "text",
    [
        "bus.send(message)",
        "self._bus.send_periodic([], 1)",
        "put = bus.send",
        "getattr(bus, 'send')(message)",
        "bus.flush_tx_buffer()",
        "from can import CyclicSendTaskABC",
        "sender.sendall(b'')",
    ],
)
def test_what_would_send_is_seen(text):
    assert list(breaches(text))


def test_only_the_adapter_and_the_table_of_modes_know_python_can():
    """Elsewhere it is imported for the words of the type checker alone."""
    knowing = set()
    for file in FILES:
        tree = ast.parse(file.read_text("utf-8"))
        imports = [node for node in ast.walk(tree) if isinstance(node, ast.Import | ast.ImportFrom)]
        guarded = {
            inner
            for node in ast.walk(tree)
            if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING"
            for inner in ast.walk(node)
        }
        names = {
            name.split(".")[0]
            for node in imports
            if node not in guarded
            for name in ([node.module or ""] if isinstance(node, ast.ImportFrom) else [one.name for one in node.names])
        }
        if "can" in names:
            knowing.add(str(file.relative_to(PACKAGE)))
    assert knowing == {"capture/live/adapter.py", "capture/live/listen_modes.py"}
