"""Adapters are opened by python-can, asked to listen only where they can, and their failures put into words."""

from __future__ import annotations

import ast
import importlib.util
import inspect
from pathlib import Path

import can
import pytest

from decoder.capture.live import adapter as adapter_module
from decoder.capture.live.adapter import AdapterOptions, open_adapter
from decoder.capture.live.listen_modes import LISTEN_MODES, OUTSIDE, WITHOUT_A_WIRE
from decoder.errors import CaptureError
from tests.capture.live.adapters import ScriptedBus, message, new_channel, scripted


@pytest.fixture
def opened(monkeypatch):
    """What python-can was asked to open; a scripted bus comes back."""
    asked = []

    def take(**keywords):
        asked.append(keywords)
        return ScriptedBus([])

    monkeypatch.setattr(can, "Bus", take)
    return asked


@pytest.mark.parametrize("interface", sorted(LISTEN_MODES))
def test_interfaces_with_a_listen_only_mode_are_asked_for_it(interface, opened):
    mode = LISTEN_MODES[interface]
    adapter = open_adapter(AdapterOptions(interface, 0, 500_000))
    assert opened[0][mode.keyword] == mode.value
    assert opened[0]["receive_own_messages"] is False
    assert adapter.listen_only
    assert "asked not to acknowledge" in adapter.words


@pytest.mark.parametrize("interface", sorted(set(can.interfaces.BACKENDS) - set(LISTEN_MODES)))
def test_interfaces_without_one_are_not_asked_and_that_is_said(interface, opened):
    adapter = open_adapter(AdapterOptions(interface, 0))
    assert opened[0] == {"interface": interface, "channel": 0, "receive_own_messages": False}
    assert not adapter.listen_only
    assert "not listen-only" in adapter.words or interface in WITHOUT_A_WIRE
    if interface in OUTSIDE:
        assert "administrator" in adapter.words


@pytest.mark.parametrize("interface", sorted(LISTEN_MODES))
def test_python_can_knows_the_keyword(interface):
    """The class reads a keyword of that name: as an argument of its own or out of its keywords."""
    package, name = can.interfaces.BACKENDS[interface]
    spec = importlib.util.find_spec(package)
    folder = Path(spec.origin).parent if spec.submodule_search_locations else None
    files = sorted(folder.glob("*.py")) if folder else [Path(spec.origin)]
    classes = [
        node
        for file in files
        for node in ast.walk(ast.parse(file.read_text("utf-8")))
        if isinstance(node, ast.ClassDef) and node.name == name
    ]
    init = next(item for item in classes[0].body if isinstance(item, ast.FunctionDef) and item.name == "__init__")
    arguments = {argument.arg for argument in (*init.args.args, *init.args.kwonlyargs)}
    words = {node.value for node in ast.walk(init) if isinstance(node, ast.Constant)}
    assert LISTEN_MODES[interface].keyword in arguments | words


def test_options_go_to_python_can_as_they_are(opened):
    open_adapter(AdapterOptions("virtual", "x", 250_000, fd=True, extra={"data_bitrate": 2_000_000}))
    assert opened[0] == {
        "interface": "virtual",
        "channel": "x",
        "bitrate": 250_000,
        "fd": True,
        "data_bitrate": 2_000_000,
        "receive_own_messages": False,
    }


def test_what_is_missing_comes_from_the_configuration(opened, monkeypatch):
    monkeypatch.setitem(can.rc, "interface", "slcan")
    monkeypatch.setitem(can.rc, "channel", "/dev/ttyACM3")
    adapter = open_adapter(AdapterOptions())
    assert opened == [{"receive_own_messages": False, "listen_only": True}]  # the rest python-can finds itself
    assert adapter.name == "ttyACM3"


def test_an_option_that_says_otherwise_is_obeyed_and_told(opened):
    adapter = open_adapter(AdapterOptions("slcan", "x", extra={"listen_only": False}))
    assert opened[0]["listen_only"] is False
    assert not adapter.listen_only
    assert "listen_only=False" in adapter.words


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (AdapterOptions("no_such_interface", "x"), "no_such_interface"),
        (AdapterOptions("socketcan", "no-such-link"), "no-such-link"),
        (AdapterOptions("slcan", "/no/such/port"), "/no/such/port"),
        (AdapterOptions("virtual", "x", extra={"port": "many"}), "must be a number"),
    ],
)
def test_an_adapter_that_cannot_be_opened_says_what_to_do(options, says):
    with pytest.raises(CaptureError, match=says) as caught:
        open_adapter(options)
    assert caught.value.advice
    assert "\x1b" not in str(caught.value)


def test_a_name_with_control_characters_is_shown_escaped():
    with pytest.raises(CaptureError) as caught:
        open_adapter(AdapterOptions("\x1b[2J", "x"))
    assert "\x1b" not in str(caught.value)


def test_receiving_gives_all_that_is_queued_in_order():
    channel = new_channel()
    adapter = open_adapter(AdapterOptions("virtual", channel))
    with can.Bus(interface="virtual", channel=channel) as other:
        for number in range(100):
            other.send(message(number))
        assert [int.from_bytes(one.data, "big") for one in adapter.receive(1)] == list(range(100))
        assert adapter.receive(0.01) == []
    adapter.close()


def test_a_fault_comes_after_what_was_received_before_it():
    adapter = scripted([message(1), message(2), can.CanOperationError("gone")])
    assert len(adapter.receive(0.1)) == 2
    with pytest.raises(CaptureError, match="gone"):
        adapter.receive(0.1)


@pytest.mark.parametrize("fault", [OSError(19, "No such device"), can.CanError("x"), RuntimeError(), ValueError("y")])
def test_whatever_a_driver_raises_is_a_capture_error(fault):
    with pytest.raises(CaptureError):
        scripted([fault]).receive(0)


def test_an_adapter_that_is_gone_can_be_closed():
    class Gone(ScriptedBus):
        def shutdown(self):
            can.BusABC.shutdown(self)
            raise OSError(19, "No such device")

    adapter_module.Adapter(Gone([]), name="x", listen_only=False, words="", has_error_classes=False).close()


@pytest.mark.parametrize(
    ("said", "state"),
    [
        (can.BusState.ACTIVE, "active"),
        (can.BusState.PASSIVE, "passive"),
        (can.BusState.ERROR, "error"),
        (None, "unknown"),
    ],
)
def test_the_state_is_what_the_driver_says(said, state):
    adapter = scripted([])
    adapter._bus.said_state = said
    assert adapter.state == state


def test_an_adapter_has_no_public_way_to_its_bus():
    public = {name for name, _ in inspect.getmembers(adapter_module.Adapter) if not name.startswith("_")}
    assert public == {"receive", "state", "close"}
    assert not any(isinstance(value, can.BusABC) for name, value in vars(scripted([])).items() if name[0] != "_")
