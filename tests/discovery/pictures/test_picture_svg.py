"""The SVG document: well-formed, self-contained, nothing overlaps."""

import xml.etree.ElementTree as ET

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.bits import Field
from decoder.discovery.pictures.payload_picture import picture
from decoder.discovery.pictures.picture_svg import svg
from tests.discovery.carvings import carving, number
from tests.strategies import fields

SPACE = "{http://www.w3.org/2000/svg}"
WIDEST_CHARACTER_PX = 7.2  # 11 px monospaced


def document(*carvings, title="a capture", headings=None):
    heads = headings or [f"stream {n}" for n in range(len(carvings))]
    return ET.fromstring(svg(title, [(h, picture(one, 160)) for h, one in zip(heads, carvings, strict=True)], 0))


def noisy(width=8, count=300):
    return [bytes(row) for row in np.random.default_rng(4).integers(0, 256, (count, width), np.uint8)]


def boxes(tree):
    """The boxes of all texts: left, right, baseline, text."""
    for text in tree.iter(f"{SPACE}text"):
        x, wide = float(text.get("x")), len(text.text) * WIDEST_CHARACTER_PX
        begin = x - {"end": wide, "middle": wide / 2}.get(text.get("text-anchor"), 0)
        yield begin, begin + wide, float(text.get("y")), text.text


def test_text_is_escaped():
    text = svg("<b>&", [("<script>alert(1)</script>", picture(carving(noisy()), 32))], 0)
    assert "<b>" not in text
    assert "<script" not in text
    assert "<b>&" in [one.text for one in ET.fromstring(text).iter(f"{SPACE}text")]


def test_nothing_comes_from_elsewhere():
    text = svg("x", [("y", picture(carving(noisy(), number(Field(0, 8))), 32))], 0)
    assert "http" not in text.replace("http://www.w3.org/2000/svg", "")
    assert "prefers-color-scheme:dark" in text
    assert "url(" not in text.replace("url(#busy)", "")


def test_a_run_is_one_piece_of_a_path():
    payloads = [bytes([n >= 100]) for n in range(289)]
    tree = document(carving(payloads, number(Field(0, 1), kind="flag")))
    (path,) = (one for one in tree.iter(f"{SPACE}path") if one.get("class") == "one")
    assert path.get("d").count("M") == 1


def test_a_busy_bit_is_hatched_and_a_slow_one_is_not():
    payloads = [bytes([(n % 2) | (n >= 500) << 1]) for n in range(1000)]
    tree = document(carving(payloads, number(Field(0, 1), kind="flag"), number(Field(1, 1), kind="flag")))
    hatched = [one for one in tree.iter(f"{SPACE}path") if one.get("fill") == "url(#busy)"]
    filled = [one for one in tree.iter(f"{SPACE}path") if one.get("class") == "one"]
    assert len(hatched) == 1
    assert filled


def test_kind_place_and_chance_stand_in_words():
    tree = document(carving(noisy(), number(Field(7, 16, "big"), 0.91, kind="counter", step=1, modulus=15)))
    said = [text for *_, text in boxes(tree)]
    assert "counter 7|16@0+  91 %" in said
    assert "counts up by 1, modulo 15" in said


@settings(deadline=None, max_examples=30)
@given(st.lists(fields(8), max_size=12), st.integers(0, 1000))
def test_texts_neither_overlap_nor_leave_the_paper(some, seed):
    generator = np.random.default_rng(seed)
    moving = generator.integers(0, 256, 8, np.uint8)
    rows = generator.integers(0, 256, (400, 8), np.uint8) & moving
    words = {"values": [{"value": n, "frames": 10**6, "dwell_ms": 12345.6} for n in range(4)]}
    kinds = ["number", "state", "flag", "check"]
    proposals = [number(field, kind=kinds[n % 4], **words) for n, field in enumerate(some)]
    tree = document(carving([bytes(row) for row in rows], *proposals), headings=["h" * 150])
    texts = sorted(boxes(tree), key=lambda one: one[2])
    width, height = float(tree.get("width")), float(tree.get("height"))
    assert all(begin >= 0 and end <= width and 0 < y < height for begin, end, y, _ in texts)
    for at, (begin, end, y, _) in enumerate(texts):
        for other_begin, other_end, other_y, _ in texts[at + 1 :]:
            apart = other_y - y >= 12 or other_begin >= end or begin >= other_end
            assert apart
