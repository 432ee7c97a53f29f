"""What was done to something that is kept as whole states, so that it is undone and done again."""

from __future__ import annotations

from collections.abc import Callable
from typing import Generic, TypeVar

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

    def undo(self, now: StateT) -> tuple[str, StateT] | None:
        """What to undo and the state to go back to; `now` is the present one."""
        if not self.past:
            return None
        title, before = self.past.pop()
        self.future.append((title, now))
        return title, before

    def redo(self, now: StateT) -> tuple[str, StateT] | None:
        """What to redo and the state to go to."""
        if not self.future:
            return None
        title, after = self.future.pop()
        self.past.append((title, now))
        return title, after

    def amend(self, change: Callable[[StateT], StateT]) -> None:
        """Something came to all states that is no step of its own."""
        for steps in (self.past, self.future):
            steps[:] = [(title, change(state)) for title, state in steps]
