"""Small packs to report on, and a reader of what a report holds."""

from html.parser import HTMLParser

from decoder.bits import Field
from decoder.channels import decode
from decoder.judgement import judge
from decoder.maps.pack_sheet import ChannelRule, PackSheet
from decoder.maps.signal_map import Message, Signal, SignalMap
from decoder.report import report_html
from tests.building import capture

CELLS = 4
# Elements that have no end (HTML standard, 'void elements').
_VOID = {"meta", "link", "br", "hr", "img", "input", "area", "base", "col", "embed", "source", "track", "wbr"}


def pack_map(modules=2, prefix="", unit="V", labels=None, comment=""):
    """Cells of some modules, current, a temperature, a contactor, and something without a quantity in any unit."""
    messages = [
        Message(
            f"{prefix}Cells_{module}",
            0x100 + module,
            extended=False,
            length=8,
            signals=tuple(
                Signal(f"{prefix}Cell_{module}_{n + 1}_V", Field(16 * n, 16), 0.001, unit="V", comment=comment)
                for n in range(CELLS)
            ),
        )
        for module in range(1, modules + 1)
    ]
    rest = (
        Signal(f"{prefix}Pack_A", Field(0, 16, signed=True), 0.1, unit="A"),
        Signal(f"{prefix}Temp_1_1_degC", Field(16, 8), 1, -40, unit="degC"),
        Signal(f"{prefix}Contactor_Positive", Field(24, 2), labels=labels or {0: "open", 1: "closed"}),
        Signal(f"{prefix}Extra", Field(16, 8), unit=unit),
    )
    messages.append(Message(f"{prefix}Pack", 0x200, extended=False, length=4, signals=rest))
    return SignalMap(tuple(messages))


RULES = tuple(
    ChannelRule(match=f"*{name}", quantity=quantity, sensor=sensor)
    for name, quantity, sensor in (
        ("Cell_{module}_{cell}_V", "cell voltage", None),
        ("Temp_{module}_{sensor}_degC", "module temperature", None),
        ("Pack_A", "pack current", None),
        ("Contactor_Positive", "contactor", "positive"),
    )
)


def rows(count=60, low_mv=-80, every_s=0.1):
    """Frames of `pack_map`: cell 3 of module 2 is low, the current steps, the contactor closes."""
    found = []
    for i in range(count):
        ampere = 0 if i < count // 2 else 500
        for module in (1, 2):
            offsets = (0, 1, low_mv if module == 2 else 2, 1)
            payload = b"".join((3700 - ampere // 50 + o).to_bytes(2, "little") for o in offsets)
            found.append((i * every_s, 0x100 + module, payload))
        state = 0 if i < count // 4 else 1
        found.append((i * every_s, 0x200, ampere.to_bytes(2, "little") + bytes([65 + i // 20, state])))
    return found


def small_pack(sheet=None, **more):
    sheet = sheet or PackSheet(name="Test pack", rules=RULES, front="plug side", rows=((1, 2),), modules=2)
    return decode(capture(rows()), pack_map(**more), sheet)


def report_of(channels, **more):
    return report_html(channels, judge(channels), **more)


class Page(HTMLParser):
    """The elements of a document: (tag, attributes), their nesting checked, and the text between them."""

    def __init__(self, text):
        super().__init__()
        self.elements, self.open, self.text, self.wrong = [], [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if len({name for name, _ in attrs}) != len(attrs):
            self.wrong.append(f"{tag} has an attribute twice")
        if tag not in _VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.wrong.append(f"</{tag}>")

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.text.append(data)

    @property
    def words(self):
        return " ".join(" ".join(self.text).split())

    def of(self, *tags):
        return [attributes for tag, attributes in self.elements if tag in tags]
