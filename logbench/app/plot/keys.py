"""The time axis from the keyboard."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from PySide6.QtGui import QAction
from PySide6.QtWidgets import QWidget

from logbench.app.commands import add_command
from logbench.app.plot.view import TimeView
from logbench.words import tr


def _nothing() -> None:
    return None


def add_view_commands(
    owner: QWidget, view: TimeView, by_hand: Callable[[], object] = _nothing
) -> list[QAction]:
    """Zoom, pan and cursor commands of a page with strips; `by_hand` is called at each move.
    Returns those that show another stretch of time."""

    def moved(run: Callable[[], object]) -> Callable[[], None]:
        def act() -> None:
            by_hand()
            run()

        return act

    moves = [add_command(owner, title, keys, moved(run)) for title, keys, run in _moves(view)]
    for title, keys, pixels in (
        (tr("Cursor left"), [",", "Alt+Left"], -1),
        (tr("Cursor right"), [".", "Alt+Right"], 1),
        (tr("Cursor far left"), ["Shift+,", "<", "Alt+Shift+Left"], -25),
        (tr("Cursor far right"), ["Shift+.", ">", "Alt+Shift+Right"], 25),
    ):
        add_command(owner, title, keys, partial(view.step_cursor, pixels))
    add_command(owner, tr("Hide cursor"), "Esc", lambda: view.set_cursor(None))
    return moves


def _moves(view: TimeView) -> tuple[tuple[str, list[str], Callable[[], object]], ...]:
    return (
        (tr("Zoom in"), ["+", "=", "Up"], lambda: view.zoom(0.7, view.cursor_ns)),
        (tr("Zoom out"), ["-", "Down"], lambda: view.zoom(1 / 0.7, view.cursor_ns)),
        (tr("Earlier"), ["Left"], lambda: view.pan(-0.15)),
        (tr("Later"), ["Right"], lambda: view.pan(0.15)),
        (tr("A page earlier"), ["PgUp", "Shift+Left"], lambda: view.pan(-0.9)),
        (tr("A page later"), ["PgDown", "Shift+Right"], lambda: view.pan(0.9)),
        (
            tr("To the start of the drive"),
            ["Home"],
            lambda: view.pan_ns(view.low_ns - view.start_ns),
        ),
        (tr("To the end of the drive"), ["End"], lambda: view.pan_ns(view.high_ns - view.end_ns)),
        (tr("Show the whole drive"), ["W", "0"], view.show_all),
    )
