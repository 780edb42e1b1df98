"""A small pack to show: two modules of four cells, a current, a contactor, a temperature, a channel with a bad name."""

from decoder.bits import Field
from decoder.channels import decode
from decoder.judgement import judge
from decoder.judgement.notes import load_notes, notes_path
from decoder.maps.sheet_file import load_sheet
from decoder.maps.signal_map import Message, Signal, SignalMap
from decoder.screens.session import Session
from tests.building import capture
from tests.screens.small_talk import talk_rows

BAD_NAME = "[red]\x1b[31mEvil[/red]"
SECONDS = 20
SHEET = """
[pack]
name = "Test pack"
chemistry = "NMC"

[[channels]]
match = "Cell_{module}_{cell}_V"
quantity = "cell voltage"
low = 2.8
high = 4.2

[case]
front = "plug side"
rows = [[1, 2]]
"""


def small_map():
    """Two messages of four cells, one of the rest."""
    messages = []
    for module in (1, 2):
        cells = tuple(
            Signal(f"Cell_{module}_{cell:02d}_V", Field(16 * (cell - 1), 16), 0.001, 0, "V") for cell in range(1, 5)
        )
        messages.append(Message(f"Cells_{module}", 0x310 + module, False, 8, cells))
    rest = (
        Signal("Pack_A", Field(0, 16, signed=True), 0.1, 0, "A"),
        Signal("Contactor_Positive", Field(16, 2), labels={0: "open", 1: "closed"}),
        Signal("Temp_1_1_degC", Field(24, 8), 1, -40, "degC"),
        Signal(BAD_NAME, Field(32, 8), comment="[bold]\x1b]0;owned\x07 comment"),
    )
    return SignalMap((*messages, Message("Rest", 0x120, False, 8, rest)))


def small_frames(*, talk=False):
    """Cell 3 of module 2 is above 4.2 V from 10 s to 12 s; the rest stops at 15 s."""
    rows = talk_rows() if talk else []
    for tick in range(SECONDS * 10):
        time_s = tick / 10
        for module in (1, 2):
            volts = [3700 + cell + tick % 5 for cell in range(4)]
            if module == 2 and 10 <= time_s < 12:
                volts[2] = 4300
            payload = b"".join(volt.to_bytes(2, "little") for volt in volts)
            rows.append((time_s + module * 0.001, 0x310 + module, payload))
        if time_s < 15:
            rows.append((time_s + 0.005, 0x120, bytes([100, 0, 1, 60 + tick % 3, tick % 256])))
    return capture(sorted(rows, key=lambda row: row[0]))


def open_session(folder, *, sheet=SHEET, log="pack.log", talk=False, show_vin=False):
    """Open the small pack as the command line does: sheet and notes from their files; `talk`: with a conversation."""
    sheet_path = folder / "pack.toml"
    if sheet is not None and not sheet_path.exists():
        sheet_path.write_text(sheet)
    notes_file = notes_path(folder / log)
    notes = load_notes(notes_file)
    channels = decode(small_frames(talk=talk), small_map(), load_sheet(sheet_path) if sheet is not None else None)
    return Session(
        channels,
        judge(channels, notes),
        notes,
        str(folder / log),
        sheet_path if sheet is not None else None,
        notes_file,
        show_vin=show_vin,
    )
