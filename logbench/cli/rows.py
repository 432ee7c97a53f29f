"""Rows of an answer: for people, as JSON or as CSV, at most so many; the three options that every
command has which lists rows."""

from __future__ import annotations

import csv
import inspect
import json
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import wraps
from typing import TYPE_CHECKING, Annotated, Any, TypeVar, get_type_hints

import typer

from logbench.cli.options import AsCsv, AsJson
from logbench.cli.show import warn
from logbench.errors import UsageError
from logbench.foreign import fill

if TYPE_CHECKING:
    import pyarrow as pa

Limit = Annotated[
    int | None,
    typer.Option("--limit", "--count", min=1, help="At most so many rows are shown."),
]
_OPTIONS = {"limit": (Limit, None), "as_json": (AsJson, False), "as_csv": (AsCsv, False)}
_Rows = TypeVar("_Rows", "pa.Table", "list[Any]", "Sequence[Any]")


@dataclass
class Form:
    """How rows are printed, and how many were, of how many."""

    as_json: bool = False
    as_csv: bool = False
    limit: int | None = None
    shown: int = 0
    known: int = 0

    def __post_init__(self) -> None:
        """Raises `UsageError` for both forms."""
        if self.as_json and self.as_csv:
            raise UsageError("JSON or CSV: leave one of --json and --csv out.")

    @property
    def machines(self) -> bool:
        """Whether it is not for people."""
        return self.as_json or self.as_csv

    def first(
        self, rows: _Rows, usual: int | None = None, of: int | None = None, *, last: bool = False
    ) -> _Rows:
        """The rows that are shown: `usual`, where no limit is given (None: all); `of`: how many
        there are, where not all were asked for; `last`: instead of the first."""
        most = self.limit or usual or len(rows)
        kept = rows[max(0, len(rows) - most) :] if last else rows[:most]
        self.shown += len(kept)
        self.known += max(len(rows), of or 0)
        return kept

    def printed(
        self, rows: Sequence[Mapping[str, Any]], names: Sequence[str] = (),
        usual: int | None = None, of: int | None = None,
    ) -> bool:  # fmt: skip
        """Print rows as JSON or CSV where one of them is wanted, and nothing else; whether one was.
        `names`: the columns, where there may be no row; the others as `first` takes them."""
        return self.machines and self.write(self.first(rows, usual, of), names)

    def write(self, rows: Sequence[Mapping[str, Any]], names: Sequence[str] = ()) -> bool:
        """The same with rows that are `first`."""
        if self.as_json:
            print(json.dumps([dict(row) for row in rows], indent=2, default=str))
        if self.as_csv:
            _write(list(names) or list(rows[0] if rows else ()), rows)
        return self.machines

    @property
    def left_off(self) -> str:
        """Of rows that are not shown; empty where all are."""
        text = "{shown:,} of {known:,} rows are shown; --limit sets how many."
        return fill(text, shown=self.shown, known=self.known) if self.shown < self.known else ""


def command_of(group: typer.Typer, name: str) -> Callable[[Callable[..., Any]], Any]:
    """Makes a function that takes a `Form` as `form` a command with --limit, --json and --csv; says
    on the error output how many rows were left off."""

    def made(function: Callable[..., Any]) -> Callable[..., Any]:
        @wraps(function)
        def command(limit: int | None, as_json: bool, as_csv: bool, **given: Any) -> Any:
            form = Form(as_json, as_csv, limit)
            code = function(form=form, **given)
            warn(form.left_off)
            return code

        kinds = get_type_hints(function, include_extras=True)
        own = inspect.signature(function).parameters
        option = inspect.Parameter.KEYWORD_ONLY
        command.__annotations__ = {name: kinds[name] for name in own if name != "form"} | {
            name: kind for name, (kind, _) in _OPTIONS.items()
        }
        command.__signature__ = inspect.Signature(  # type: ignore[attr-defined]
            [one.replace(kind=option, annotation=kinds[name])
             for name, one in own.items() if name != "form"]
            + [inspect.Parameter(name, option, default=default, annotation=kind)
               for name, (kind, default) in _OPTIONS.items()]
        )  # fmt: skip
        return group.command(name)(command)

    return made


def _write(names: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> None:
    from logbench.recording.export import safe_text

    def cell(value: Any) -> Any:
        if isinstance(value, list | dict):
            value = json.dumps(value, default=str)
        return safe_text(value) if isinstance(value, str) else value

    writer = csv.writer(sys.stdout)
    writer.writerow([cell(name) for name in names])
    writer.writerows([cell(row[name]) for name in names] for row in rows)
