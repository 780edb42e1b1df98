"""The keys of the mapping bench."""

from __future__ import annotations

from typing import Final

from textual.binding import Binding

KEYS: Final = (
    ("esc", "back"),
    ("↑↓", "field"),
    ("enter", "take"),
    ("←→", "move"),
    ("y", "quantity"),
    ("e", "series"),
    ("S", "save"),
    ("?", "help"),
    ("tab", "which end"),
    ("u", "undo"),
    ("k", "scale"),
    ("r", "reading"),
    ("o", "byte order"),
    ("s", "sign"),
    ("a", "add"),
    ("d", "delete"),
    ("v", "view"),
    ("/", "identifier"),
    ("q", "quit"),
)

OWN_KEYS: Final = (
    ("the mapping bench", ""),
    ("↑ ↓", "choose a field; home and end: the first, the last"),
    ("enter", "take the chosen field as yours; one of yours: name, place, scale, offset, unit, multiplexor's value"),
    ("← →", "move an end of the chosen field by a bit; [ and ], or shift with ← →, by a byte"),
    ("tab", "which end they move: the one that comes first in the payload, the last one, or the whole field"),
    ("y", "what it measures: a list of quantities; the most usual scale comes with it"),
    ("k K", "next and previous natural scale of the quantity; those for the field's length come first"),
    ("o", "byte order, in the same bytes"),
    ("s", "signed or not"),
    ("a", "add a field behind the chosen one"),
    ("d", "delete the chosen field of yours; the key delete does it too"),
    ("j", "the chosen field is a multiplexor, or none"),
    ("e", "each and every: the chosen field as a series along the payload, through multiplexor values, identifiers"),
    ("r", "type a reading of a meter; the fields that may carry it are listed, enter takes one"),
    ("R", "the candidates for the last reading again"),
    ("u U", "undo, and do again; all steps, also those of earlier days"),
    ("S", "save your fields to a signal map and the pack sheet, and show the capture by them"),
    ("/", "another identifier or kind of answer: those with the most unexplained changes first"),
    ("page up", "the identifier before; page down: the next one"),
    ("v", "the bits alone, the channel alone, or all"),
    ("● ■ ○", "yours, in the signal map, found by carving"),
    (
        "█ ▒ ┄",
        "bits over time, two a line: 1, comes and goes, never changes; right: single payloads up to the moment shown",
    ),
)

BINDINGS: Final = (
    Binding("up", "choose(-1)"),
    Binding("down", "choose(1)"),
    Binding("home", "choose(-1000000000)"),
    Binding("end", "choose(1000000000)"),
    Binding("enter", "take"),
    Binding("left", "move_end(-1)"),
    Binding("right", "move_end(1)"),
    Binding("shift+left,left_square_bracket", "move_end(-8)"),
    Binding("shift+right,right_square_bracket", "move_end(8)"),
    Binding("tab", "grip(1)"),
    Binding("shift+tab", "grip(-1)"),
    Binding("y", "quantity"),
    Binding("k", "scale(1)"),
    Binding("K", "scale(-1)"),
    Binding("o", "byte_order"),
    Binding("s", "sign"),
    Binding("a", "add"),
    Binding("d,delete", "delete"),
    Binding("j", "multiplexor"),
    Binding("e", "series"),
    Binding("r", "reading"),
    Binding("R", "candidates"),
    Binding("u", "undo"),
    Binding("U", "redo"),
    Binding("S", "save"),
    Binding("slash", "streams"),
    Binding("pageup", "stream(-1)"),
    Binding("pagedown", "stream(1)"),
    Binding("v", "view"),
)
