"""An exercise is begun: which one, and whether it is driven or left to be driven."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from pathlib import Path

from PySide6.QtWidgets import QCheckBox, QLineEdit, QVBoxLayout, QWidget

from logbench.app.notice import Notice
from logbench.app.parts import Answers, Dialog, Form, chooser, lay, muted, named
from logbench.app.plain import Label
from logbench.cases.exercise import BeginExercise
from logbench.cases.runner import Owner
from logbench.cases.work import Outcome
from logbench.errors import UsageError
from logbench.simulator.exercise import ANY, MOST, Exercise, exercise_of
from logbench.words import tr

_KINDS = (
    (tr("any car, as roads have them"), ANY),
    (tr("gasoline"), "gasoline"),
    (tr("gasoline, charged"), "charged"),
    (tr("diesel"), "diesel"),
    (tr("hybrid"), "hybrid"),
    (tr("gasoline or ethanol"), "flex"),
)
_OWN = tr(
    "The link to the car stands on the Live page: record the drive there, add it to this job, and "
    "read the car."
)


class ExerciseDialog(Dialog):
    """Says what an exercise is, and takes the text of another's."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(tr("Exercise"), parent, 560)
        intro = Label(
            tr(
                "A simulated car comes with a complaint, a drive and its stored records. Something "
                "is wrong with it, or two things, or nothing. Read, do tests by hand, each for its "
                "minutes, and commit to a cause: then the truth is told, and which test would have "
                "told more."
            ),
            wordWrap=True,
        )
        self.kind = chooser(tr("Kind of car"), 24, _KINDS)
        example = tr("empty: a new one; or another's, like diesel-4711")
        self.text = named(QLineEdit(placeholderText=example), tr("Exercise of somebody else"))
        self.own = QCheckBox(tr("I record the drive and read the car myself"))
        self.said = muted()
        form = Form()
        form.add(tr("Car"), self.kind)
        form.add(tr("Exercise"), self.text)
        buttons = Answers(self, tr("Begin"), tr("Cancel"))
        self.go = buttons.go
        parts = intro, form, self.own, self.said, buttons
        lay(QVBoxLayout(self), *parts, margins=(24, 20, 24, 20), spacing=12)
        self.text.textChanged.connect(self._judge)
        self._new = secrets.randbelow(MOST + 1)
        self.go.setFocus()
        self._judge()

    @property
    def chosen(self) -> Exercise:
        """Which it is. Raises UsageError."""
        typed = self.text.text().strip() or str(self._new)
        return exercise_of(f"{self.kind.currentData()}-{typed}" if typed.isdigit() else typed)

    def _judge(self) -> None:
        try:
            exercise, problem = self.chosen, ""
        except UsageError as error:
            exercise, problem = None, str(error)
        self.kind.setEnabled(not self.text.text().strip() or self.text.text().strip().isdigit())
        self.go.setEnabled(exercise is not None)
        self.said.setText(problem)


class Exercises:
    """Asks for one and makes its job. `begun`: opens the job of a folder; with the link to the car
    where the person drives alone, else an empty text."""

    def __init__(
        self,
        owner: Owner,
        notice: Notice,
        folder: Callable[[], Path],
        begun: Callable[[Path, str], object],
        parent: QWidget,
    ) -> None:
        self._owner, self._notice, self._folder = owner, notice, folder
        self._begun, self._parent = begun, parent
        self.ask: Callable[[ExerciseDialog], bool] = lambda dialog: bool(dialog.exec())
        """Shows a dialog; tests put their own answer here."""

    def ask_for_one(self) -> None:
        """Which one, then make it."""
        dialog = ExerciseDialog(self._parent)
        if self.ask(dialog):
            self.begin(dialog.chosen, driven=not dialog.own.isChecked())

    def begin(self, exercise: Exercise, *, driven: bool = True) -> None:
        """Make its job, which takes some seconds where it is driven, and open it."""
        case = BeginExercise(exercise, self._folder(), driven)
        link = "" if driven else exercise.link

        def reported(text: str, share: float) -> None:
            self._notice.success(tr("{text}: {n:.0%}", text=text, n=share))

        def begun(folder: Path) -> None:
            self._begun(folder, link)
            ready = case.outcome(folder)
            self._notice.say(Outcome(f"{ready.sentence} {_OWN}") if link else ready)

        self._owner.start(case, begun, self._notice.trouble, reported, slot="exercise")
