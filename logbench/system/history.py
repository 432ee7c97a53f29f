"""What was done to something that is kept as whole states, so that it is undone and done again."""

from __future__ import annotations

from collections.abc import Callable
from typing import Generic, TypeVar

from logbench.words import inside, tr

StateT = TypeVar("StateT")


class History(Generic[StateT]):
    """States before and after the present one."""

    def __init__(self, most: int = 100) -> None:
        self._most = most
        self.past: list[tuple[str, StateT]] = []
        """What was done, and the state before it; the latest last."""
        self.future: list[tuple[str, StateT]] = []
        """What was undone, and the state after it; the next last."""

    def clear(self) -> None:
        """Start anew."""
        self.past.clear()
        self.future.clear()

    def done(self, title: str, before: StateT, *, merge: bool = False) -> None:
        """Something was done; with `merge`, it goes on with the last of that title."""
        self.future.clear()
        if merge and self.past and self.past[-1][0] == title:
            return
        self.past.append((title, before))
        del self.past[: -self._most]

    def undo(self, now: StateT, *, redo: bool = False) -> tuple[str, StateT | None]:
        """What to say, and the state to go to from the present one: the one before, with `redo` the
        one after; None where there is none."""
        done, nothing = tr("Undone"), tr("There is nothing to undo.")
        left, right = self.past, self.future
        if redo:
            done, nothing = tr("Redone"), tr("There is nothing to redo.")
            left, right = right, left
        if not left:
            return nothing, None
        title, state = left.pop()
        right.append((title, now))
        return tr("{done}: {change}.", done=done, change=inside(title)), state

    def amend(self, change: Callable[[StateT], StateT]) -> None:
        """Something came to all states that is not a step of its own."""
        for steps in (self.past, self.future):
            steps[:] = [(title, change(state)) for title, state in steps]
