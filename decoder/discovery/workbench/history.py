"""The steps of the work, to be undone and done again without limit."""

from __future__ import annotations

from dataclasses import dataclass, replace

from decoder.discovery.workbench.work import Work


@dataclass(frozen=True, slots=True)
class History:
    """States in their order, of which the one at `now` holds; those behind it were undone.

    map_path : the signal map that the work was last saved to; empty before. No step: undoing leaves it.
    map_digest : of that file, where nothing but this work is in it; else empty
    """

    states: tuple[Work, ...] = (Work(),)
    now: int = 0
    map_path: str = ""
    map_digest: str = ""

    @property
    def work(self) -> Work:
        """The state that holds."""
        return self.states[self.now]

    @property
    def undone(self) -> int:
        """How many steps can be done again."""
        return len(self.states) - 1 - self.now

    def step(self, work: Work) -> History:
        """Go on to a new state; what was undone is gone. The same object again is no step."""
        if work is self.work:
            return self
        return replace(self, states=(*self.states[: self.now + 1], work), now=self.now + 1)

    def look(self, work: Work) -> History:
        """Look at something else, which is no step: nothing of it is undone."""
        return replace(self, states=(*self.states[: self.now], work, *self.states[self.now + 1 :]))

    def undo(self) -> History:
        """Take the last step back; the same history where there is none."""
        return replace(self, now=self.now - 1) if self.now else self

    def redo(self) -> History:
        """Do the last step that was undone again; the same history where there is none."""
        return replace(self, now=self.now + 1) if self.undone else self
