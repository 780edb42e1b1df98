"""The mapping bench: the fields of a stream, shaped and named by keys until they are a signal map.

Every key makes one step of the work (`decoder.discovery.workbench`), which is saved beside the capture at once.
"""

from __future__ import annotations

import gc
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from decoder.discovery.readings import parse_reading
from decoder.discovery.workbench import edits
from decoder.discovery.workbench.borders import GRIPS
from decoder.errors import CellgleanError, UsageError
from decoder.printable import printable
from decoder.screens import bench_forms as forms
from decoder.screens.ask import AskText
from decoder.screens.bench_candidates import Candidates
from decoder.screens.bench_keys import BINDINGS, KEYS, OWN_KEYS
from decoder.screens.bench_rows import grip_words
from decoder.screens.bench_saver import Saver
from decoder.screens.bench_view import VIEWS, BenchView
from decoder.screens.choose import Choose
from decoder.screens.form import Asked, Form
from decoder.screens.frame import DeskScreen

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from textual.binding import BindingType
    from textual.widget import Widget

    from decoder.discovery.field_at import StreamKey
    from decoder.discovery.proposal import Selector
    from decoder.discovery.workbench.bench import Bench
    from decoder.discovery.workbench.work import Work
    from decoder.screens.desk import Desk


@contextmanager
def _uncollected() -> Iterator[None]:
    """Let what is made within stay out of the search for garbage: going through it would hold up a key now and then."""
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()


class BenchScreen(DeskScreen):
    """The fields of one stream, and the work on them."""

    KEYS = KEYS
    OWN_KEYS = OWN_KEYS
    BINDINGS: ClassVar[list[BindingType]] = list(BINDINGS)

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.view = BenchView(desk, id="bench")
        self.saver = Saver(self)
        self.candidates = Candidates(self)
        self._is_busy = False
        self._has_told = False

    def own_part(self) -> Iterable[Widget]:
        """Give the one view."""
        return (self.view,)

    @property
    def bench(self) -> Bench:
        """The bench; only where `desk.session.bench_is_ready`."""
        return self.desk.session.bench

    @property
    def work(self) -> Work:
        """The work as it is."""
        return self.bench.work

    def show_moment(self) -> None:
        """Draw anew; have done beside the screen what takes time."""
        self._attend()
        super().show_moment()

    def on_unmount(self) -> None:
        """Save what is not saved yet."""
        self.saver.last_time()

    # What takes time

    def _attend(self) -> None:
        if not self._is_busy and self._to_do() is not None:
            self._is_busy = True
            self.run_worker(self._do, thread=True, group="bench")

    def _to_do(self) -> Callable[[], None] | None:
        """Give what is to be done before all shows of what is looked at; ``None`` if nothing is."""
        session = self.desk.session
        if not session.bench_is_ready:
            return self._set_up
        bench, key = session.bench, session.bench.work.stream
        if key is None or key not in bench.by_key:
            return None
        if key not in bench.carvings:
            return lambda: self._carve(bench, key)
        waiting = {one.at.multiplexor for one in bench.fields(key) if not bench.ready(key, one.at.multiplexor)}
        return (lambda: bench.prepare(key, tuple(waiting))) if waiting else None

    def _do(self) -> None:
        """Do one thing after the other, each for what is looked at by then (worker thread)."""
        try:
            while self.app.is_running and (task := self._to_do()) is not None:
                with _uncollected():
                    task()
                self.app.call_from_thread(self._done)
        finally:
            self._is_busy = False

    def _done(self) -> None:
        self.view.doing = ""
        self.choose_something()
        super().show_moment()

    def _set_up(self) -> None:
        bench = self.desk.session.bench
        if bench.work.stream not in bench.by_key and bench.keys:
            key = max(bench.keys, key=bench.unexplained)
            bench.look(edits.show_stream(bench.work, key))

    def _carve(self, bench: Bench, key: StreamKey) -> None:
        bench.prepare(key)

        def tell(done: float) -> None:
            self.view.doing = f"carving, {100 * done:.0f} %"
            if self.app.is_running:
                self.app.call_from_thread(self.view.redraw)

        tell(0.0)
        bench.carve(key, tell)

    def choose_something(self) -> None:
        """Choose the first field where none is; tell once what was wrong with the saved work."""
        if not self.desk.session.bench_is_ready:
            return
        bench, work = self.bench, self.work
        if bench.trouble is not None and not self._has_told:
            self._has_told = True
            self.say(bench.trouble, trouble=True)
        if work.stream in bench.carvings and self.view.chosen(bench) is None:
            fields = bench.fields(work.stream)
            if fields:
                bench.look(edits.choose(work, fields[0].at))

    # Looking

    def action_choose(self, by: int) -> None:
        """Choose another field."""
        if not self._is_ready():
            return
        bench, work = self.bench, self.work
        assert work.stream is not None
        fields = bench.fields(work.stream)
        if not fields:
            self.say("no field yet: a adds one")
            return
        row = next((number for number, one in enumerate(fields) if one.at == work.at), None)
        row = 0 if row is None else min(max(row + by, 0), len(fields) - 1)
        bench.look(edits.choose(work, fields[row].at))
        self.show_moment()

    def action_stream(self, by: int) -> None:
        """Look at the identifier before or the next one."""
        if self._is_ready():
            keys = self.bench.keys
            assert self.work.stream is not None
            number = min(max(keys.index(self.work.stream) + by, 0), len(keys) - 1)
            self.look_at(keys[number])

    def action_streams(self) -> None:
        """Ask for another stream."""
        if not self.desk.session.bench_is_ready or not self.bench.keys:
            return
        keys, choices = forms.stream_choices(self.bench)
        now = self.work.stream
        number = keys.index(now) if now in keys else 0

        def look(chosen: int | None) -> None:
            if chosen is not None:
                self.look_at(keys[chosen])

        self.app.push_screen(
            Choose("Which payload? (the number: changes of bits that nothing explains yet)", choices, number), look
        )

    def look_at(self, key: StreamKey) -> None:
        """Look at a stream."""
        self.bench.look(edits.show_stream(self.work, key))
        self.choose_something()
        self.show_moment()

    def action_grip(self, by: int) -> None:
        """Let the arrows move the other end, or the whole field."""
        self.view.grip = GRIPS[(GRIPS.index(self.view.grip) + by) % len(GRIPS)]
        at = self.work.at if self.desk.session.bench_is_ready else None
        self.say(f"the arrows move: {grip_words(self.view.grip, at)}")
        self.view.redraw()

    def action_view(self) -> None:
        """Show the bits alone, the channel alone, or all."""
        self.view.view = VIEWS[(VIEWS.index(self.view.view) + 1) % len(VIEWS)]
        self.show_moment()

    # Edits

    def edit(self, change: Callable[[Work], Work], said: str = "") -> None:
        """Make a step of the work on the chosen field, which becomes the user's own by that; or say why not."""
        if not self._is_ready():
            return
        try:
            work = change(self._with_own())
        except CellgleanError as error:
            self.say(str(error), trouble=True)
            return
        self.step(work, said)

    def step(self, work: Work, said: str = "") -> None:
        """Go on to a new state of the work, and save it."""
        if self.bench.step(work):
            self.saver.soon()
            if said:
                self.say(said)
        self.show_moment()

    def _with_own(self) -> Work:
        listed = self.view.chosen(self.bench)
        if listed is None:
            raise UsageError("no field is chosen", advice="choose one with the arrows, or add one with a")
        if listed.whose == "map":
            raise UsageError(
                "this field is in the signal map already; the bench adds to a map and changes nothing in it"
            )
        return self.work if listed.whose == "mine" else edits.taken(self.work, listed.meaning)

    def _width(self) -> int:
        assert self.work.stream is not None
        return self.bench.width_of(self.work.stream)

    def action_move_end(self, bits: int) -> None:
        """Move an end of the chosen field."""
        self.edit(lambda work: edits.end_moved(work, self.view.grip, bits, self._width()))

    def action_byte_order(self) -> None:
        """Turn the byte order."""
        self.edit(edits.order_turned)

    def action_sign(self) -> None:
        """Turn the sign on or off."""
        self.edit(edits.sign_turned)

    def action_scale(self, by: int) -> None:
        """Take the next natural scale."""
        self.edit(lambda work: edits.scale_stepped(work, by))

    def action_multiplexor(self) -> None:
        """Make the chosen field a multiplexor, or none."""

        def turn(work: Work) -> Work:
            assert work.meaning is not None
            return edits.described(work, multiplexor=not work.meaning.multiplexor)

        self.edit(turn)

    def action_add(self) -> None:
        """Add a field."""
        if self._is_ready():
            assert self.work.stream is not None
            self.step(edits.added(self.work, self.work.stream, self._width()), "a new field: tab and ← → shape it")

    def action_delete(self) -> None:
        """Delete the chosen field of the user."""
        if not self._is_ready():
            return
        if self.work.meaning is None:
            self.say("only a field of yours can be deleted", trouble=True)
            return
        self.step(edits.deleted(self.work), "deleted; u brings it back")
        self.choose_something()

    def action_undo(self) -> None:
        """Take the last step back."""
        if self.desk.session.bench_is_ready:
            self._gone(self.bench.undo(), "undone; U does it again", "nothing to undo")

    def action_redo(self) -> None:
        """Do again what was undone last."""
        if self.desk.session.bench_is_ready:
            self._gone(self.bench.redo(), "done again", "nothing to do again")

    def _gone(self, has: bool, said: str, nothing: str) -> None:  # noqa: FBT001  (what `undo` gives)
        self.say(said if has else nothing)
        if has:
            self.saver.soon()
            self.choose_something()
            self.show_moment()

    # Asking

    def action_take(self) -> None:
        """Take the chosen field; describe one that is the user's."""
        if not self._is_ready():
            return
        listed = self.view.chosen(self.bench)
        if listed is None or listed.whose != "mine":
            self.edit(lambda work: work, "taken as yours; enter describes it, y says what it measures")
            return
        selector = self._selector()
        work = self.work
        self._ask(
            "What the chosen field means",
            forms.description(listed.meaning),
            lambda answers: (forms.described(work, answers, selector), ""),
        )

    def action_series(self) -> None:
        """Ask how the chosen field is repeated."""
        if not self._is_ready():
            return
        try:
            work = self._with_own()
        except CellgleanError as error:
            self.say(str(error), trouble=True)
            return
        assert work.meaning is not None
        bench = self.bench
        questions = forms.series_questions(bench, work.meaning)
        self._ask(
            "A numbered series: the chosen field again and again",
            questions,
            lambda answers: forms.with_series(work, bench, answers),
        )

    def _ask(self, question: str, asked: list[Asked], made: Callable[[Mapping[str, str]], tuple[Work, str]]) -> None:
        """Ask, show what the answers lead to while they are typed, and make a step of them."""

        def says(answers: Mapping[str, str]) -> str:
            work, words = made(answers)
            return words or forms.meaning_in_words(work)

        def keep(answers: Mapping[str, str] | None) -> None:
            if answers is not None:
                self.step(*made(answers))

        self.app.push_screen(Form(question, asked, says), keep)

    def _selector(self) -> Selector | None:
        """Give the multiplexor that the chosen field stands under, or may stand under."""
        at, key = self.work.at, self.work.stream
        if key is None or (at is not None and at.multiplexor is not None):
            return at.multiplexor if at is not None else None
        return forms.multiplexor_of(self.bench.fields(key))

    def action_quantity(self) -> None:
        """Ask what the chosen field measures."""
        if not self._is_ready():
            return
        choices, number = forms.quantity_choices(self.work)

        def keep(chosen: int | None) -> None:
            if chosen is not None:
                self.edit(lambda work: edits.of_quantity(work, forms.quantity_at(chosen)))

        self.app.push_screen(Choose("What does it measure?", choices, number), keep)

    def action_reading(self) -> None:
        """Ask for a reading, and look for the fields that may carry it."""
        if not self._is_ready():
            return
        now = f"t={self.desk.now_s:.3f} "

        def keep(text: str | None) -> None:
            if text is None or not text.strip():
                return
            try:
                parse_reading(text, self.desk.channels.first_ns)
            except CellgleanError as error:
                self.say(str(error), trouble=True)
                return
            self.step(edits.with_reading(self.work, text.strip()))
            self.candidates.look_for()

        self.app.push_screen(AskText("A reading: time, what of, value, unit: t=12.5 cell 7 voltage 3.642 V", now), keep)

    def action_candidates(self) -> None:
        """Show the candidates for the last reading."""
        if self._is_ready():
            self.candidates.look_for()

    def action_save(self) -> None:
        """Ask for a signal map, and write the work into it."""
        if not self._is_ready():
            return
        if not self.work.meanings:
            self.say("there is no field of yours to save: enter takes a proposed one, a adds one", trouble=True)
            return

        def keep(text: str | None) -> None:
            if text is not None and text.strip():
                path = Path(text.strip()).expanduser()
                self.say(f"writing {printable(path.name, 60)} …")
                self.run_worker(lambda: self._save_map(path), thread=True, group="save")

        self.app.push_screen(AskText("Save to the signal map (new, or one to add to)", self._map_path()), keep)

    def _map_path(self) -> str:
        capture = self.desk.session.capture_path
        beside = f"{capture}.dbc" if capture not in {None, "-"} else "bench.dbc"
        return self.bench.history.map_path or beside

    def _save_map(self, path: Path) -> None:
        try:
            said, trouble = self.desk.session.save_map(path), False
        except CellgleanError as error:
            said, trouble = str(error), True
        if self.app.is_running:
            self.app.call_from_thread(self._map_saved, said, trouble=trouble)

    def _map_saved(self, said: str, *, trouble: bool) -> None:
        self.say(said, trouble=trouble)
        self.saver.soon()
        self.show_moment()

    def _is_ready(self) -> bool:
        """Tell whether there is a stream to act on."""
        session = self.desk.session
        return session.bench_is_ready and session.bench.work.stream in session.bench.by_key
