"""The counts of `carve_score` as text: rates side by side, calibration, and the worst streams for the developer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from tools.carve_score import BINS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from decoder.bits import Field
    from decoder.discovery.proposal import Selector
    from tools.carve_score import Errors, Tally

LABEL: Final = 44
COLUMN: Final = 22
KINDS: Final = (
    "counter", "check, linear", "check, sum", "multiplexor", "indexed series", "number", "state", "flag", "unknown",
)  # fmt: skip
CLASS_WORDS: Final = {"many": "10 changes or more", "few": "1 to 9 changes"}


def rates(tally: Tally) -> dict[str, tuple[float | None, int]]:
    """Give every rate by its label, with how many it is a share of."""
    rows = {}
    for name, words in CLASS_WORDS.items():
        for label, part, whole in (
            ("fields found exactly", "found", "true"),
            ("changing bits covered", "covered", "bits"),
            ("proposals that are exact", "right", "proposed"),
        ):
            rows[f"{label}, {words}"] = _rate(tally, f"{part} {name}", f"{whole} {name}")
    for place in ("beside all multiplexors", "under a multiplexor"):
        rows[f"fields found exactly, {place}"] = _rate(tally, f"found {place}", f"true {place}")
    rows["sign right, of exact numbers"] = _rate(tally, "right sign", "true sign")
    rows["sign right, of those showing both signs"] = _rate(tally, "right both signs", "true both signs")
    for kind in KINDS:
        rows[f"{kind}: found exactly"] = _rate(tally, f"found {kind}", f"true {kind}")
        rows[f"{kind}: found and named"] = _rate(tally, f"named {kind}", f"true {kind}")
    return rows


def _rate(tally: Tally, part: str, whole: str) -> tuple[float | None, int]:
    return tally.share(part, whole), tally.counts[whole]


def rate_lines(tallies: Mapping[str, Tally]) -> Iterator[str]:
    """Give the table of rates, one column for each way of carving."""
    yield " " * LABEL + "".join(name.rjust(COLUMN) for name in tallies)
    columns = [rates(tally) for tally in tallies.values()]
    for label in columns[0] if columns else ():
        yield label.ljust(LABEL) + "".join(_cell(*column[label]) for column in columns)


def _cell(share: float | None, whole: int) -> str:
    return ("-" if share is None else f"{100 * share:5.1f} % of {whole:6,}").rjust(COLUMN)


def calibration_lines(tally: Tally) -> Iterator[str]:
    """Give how often proposals of each confidence are exact."""
    yield "confidence     proposals    exact"
    for number in range(BINS):
        whole = tally.counts[f"bin {number}"]
        share = tally.share(f"right in bin {number}", f"bin {number}")
        exact = "-" if share is None else f"{100 * share:.1f} %"
        yield f"{number / BINS:.1f} to {(number + 1) / BINS:.1f} {whole:13,} {exact:>8s}"
    if tally.brier is not None:
        yield f"Brier score {tally.brier:.4f}"


def worst_of(errors: Sequence[Errors], most: int) -> list[Errors]:
    """Give the streams with the most errors, the worst first; those without any never."""
    return sorted((error for error in errors if error.count), key=lambda error: -error.count)[:most]


def worst_lines(errors: Sequence[Errors]) -> Iterator[str]:
    """Give streams with their errors: the truth on the left, what was proposed on the right."""
    for one in errors:
        stream = one.stream
        yield f"seed {one.seed}, identifier {stream.can_id:03X}: {len(stream.data):,} frames, {one.count} errors"
        left = [_true_line(one, number) for number in range(len(stream.fields))]
        right = [
            f"{'!' if proposal in one.wrong else ' '} {_place(proposal.field, proposal.multiplexor)} {proposal.kind}"
            f" {proposal.confidence:.2f}"
            for proposal in sorted(one.proposals, key=lambda p: (min(p.field.bit_numbers()), str(p.multiplexor)))
        ]
        for number in range(max(len(left), len(right))):
            yield f"  {_at(left, number):58s} {_at(right, number)}".rstrip()
        yield ""


def _true_line(one: Errors, number: int) -> str:
    true = sorted(one.stream.fields, key=lambda t: (min(t.field.bit_numbers()), str(t.draft.multiplexor)))[number]
    mark = "?" if true in one.missed else " "
    return (
        f"{mark} {_place(true.field, true.draft.multiplexor)} {true.kind}, {true.changes} changes, top bit {true.top}"
    )


def _place(place: Field, selector: Selector | None) -> str:
    text = f"{place.start}|{place.length}"
    if place.first_byte != place.last_byte:
        text += f" {place.byte_order}"
    if place.signed:
        text += " signed"
    while selector is not None:
        text += (
            f" [{selector.field.start}|{selector.field.length}={'each' if selector.value is None else selector.value}]"
        )
        selector = selector.within
    return text


def _at(lines: list[str], number: int) -> str:
    return lines[number] if number < len(lines) else ""
