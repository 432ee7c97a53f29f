"""The table of operating cells: keys, mouse, what is said."""

from __future__ import annotations

from itertools import pairwise

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QBrush, QColor, QPen

from logbench.analysis.comparison.cells import RPM_EDGES, CellKey, LoadAxis
from logbench.analysis.drive_plan import CellProgress, DriveProgress
from logbench.app.live.plan_panel import PlanGrid
from logbench.app.plot.cell_table import Cell, CellTable
from logbench.app.theme import LIGHT, Look

AXIS = LoadAxis("map", "manifold pressure", "kPa", 10.0, ("MAP",))
IDLE, CRUISE, HILL = CellKey(0, 3), CellKey(2, 4), CellKey(3, 6)


@pytest.fixture
def table(qtbot) -> CellTable:
    made = CellTable(LIGHT, "nothing yet")
    qtbot.addWidget(made)
    made.resize(500, 300)
    show(made, IDLE, CRUISE, HILL)
    made.show()
    return made


def show(table: CellTable, *keys: CellKey) -> None:
    cells = {
        key: Cell("1.5\n±0.2", key.text(AXIS), QBrush(QColor("red")), QColor("black"), QPen())
        for key in keys
    }
    table.show_cells(cells, AXIS, range(4), range(3, 7))


def test_a_cell_of_the_plan_is_said_in_the_units_chosen(qtbot):
    look = Look("light")
    grid = PlanGrid(look)
    qtbot.addWidget(grid)
    cells = {CRUISE: CellProgress(CRUISE, 12.0, 20.0)}
    grid.show_progress(DriveProgress((), (), AXIS, cells))
    at = grid.verticalHeader().count() - 1, CRUISE.rpm_index
    assert grid.item(*at).toolTip().endswith("manifold pressure 40-50 kPa: 12/20 s")
    look.choose_units(True)
    assert grid.item(*at).toolTip().endswith("manifold pressure 11.8-14.8 inHg: 12/20 s")


def test_keys_go_to_the_nearest_cell_in_their_direction(table: CellTable, qtbot):
    sent: list[CellKey | None] = []
    table.chosen.connect(sent.append)
    for key, reached in (
        (Qt.Key.Key_Right, IDLE),  # the first press
        (Qt.Key.Key_Right, CRUISE),
        (Qt.Key.Key_Up, HILL),
        (Qt.Key.Key_Up, HILL),
        (Qt.Key.Key_Left, CRUISE),
        (Qt.Key.Key_Home, IDLE),
        (Qt.Key.Key_End, HILL),
        (Qt.Key.Key_Escape, None),
    ):
        qtbot.keyClick(table, key)
        assert table.current == reached
    assert sent == [IDLE, CRUISE, HILL, CRUISE, IDLE, HILL, None]


def test_a_press_beside_the_cells_chooses_none(table: CellTable, qtbot):
    table.choose(CRUISE)
    left = Qt.MouseButton.LeftButton
    model = table.model()
    beside = table.visualRect(model.index(3, 3)).center()  # the lowest load, no cell
    qtbot.mouseClick(table.viewport(), left, pos=beside)
    assert table.current is None
    qtbot.mouseClick(table.viewport(), left, pos=table.visualRect(model.index(3, 0)).center())
    assert table.current == IDLE


def test_the_chosen_cell_stays_chosen_unsent(table: CellTable):
    table.choose(CRUISE)
    sent: list[object] = []
    table.chosen.connect(sent.append)
    show(table, IDLE, CRUISE)
    assert table.current == CRUISE
    show(table, IDLE)
    assert table.current is None
    assert sent == []


def test_axes_and_cells_are_said_in_words(table: CellTable):
    model = table.model()
    heads = [model.headerData(n, Qt.Orientation.Horizontal) for n in range(4)]
    assert heads == [f"{a:,.0f}–\n{b:,.0f}" for a, b in pairwise(RPM_EDGES[:5])]
    loads = [model.headerData(n, Qt.Orientation.Vertical) for n in range(4)]
    assert loads == ["60–70", "50–60", "40–50", "30–40"]  # the highest load on top
    assert "manifold pressure, kPa" in table.axes_text
    spoken = model.data(model.index(3, 0), Qt.ItemDataRole.AccessibleTextRole)
    assert spoken == "400-1,000 rpm, manifold pressure 30-40 kPa"
