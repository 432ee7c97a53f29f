"""The reference of what Python code may use, of the docstrings: a page of the guide.

Used by docs/make_guide.py. What stands there is what `import logbench` offers, and the classes
that it hands out.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from functools import cached_property
from typing import Any

import logbench
from logbench.archive.fleet import Fleet, Table
from logbench.recording.model import Trace
from logbench.recording.reader import Recording

CLASSES = (Recording, Trace, Fleet, Table)
_HEAD = """# Reference for Python

For a notebook or a script of your own. The same calls as the program itself uses; nothing here
needs the window.

```python
import logbench

drive = logbench.open("recordings/before.parquet")
drive.signals
trace = drive.trace("SHRTFT1")
trace.t_s, trace.value
logbench.conditions(drive)
```

The archive in a notebook: [archive](archive.md).
"""


def text() -> str:
    """The whole page as Markdown."""
    lines = [_HEAD]
    for name in sorted(logbench.__all__):
        lines += _function(f"logbench.{name}", getattr(logbench, name))
    for of in CLASSES:
        lines += [f"## {of.__name__}", "", _paragraphs(of), ""]
        for name, member in _public(of):
            lines += _member(of, name, member)
    return "\n".join(lines)


def _public(of: type) -> Iterator[tuple[str, Any]]:
    """What a class itself offers, in the order of its source."""
    for name, member in vars(of).items():
        if not name.startswith("_") and inspect.getdoc(_of(member)):
            yield name, member


def _member(of: type, name: str, member: Any) -> list[str]:
    called = f"{of.__name__}.{name}"
    if isinstance(member, property | cached_property):
        return [f"### `{called}`", "", _paragraphs(_of(member)), ""]
    return _function(called, _of(member), head="###")


def _of(member: Any) -> Any:
    """The function behind a property or a method of the class."""
    for inner in ("fget", "func", "__func__"):
        member = getattr(member, inner, member)
    return member


def _function(called: str, function: Any, head: str = "##") -> list[str]:
    made = type(function).__call__ if inspect.ismodule(function) else function
    return [f"{head} `{called}{_signature(made)}`", "", _paragraphs(made), ""]


def _signature(function: Any) -> str:
    signature = inspect.signature(function)
    kept = [p for p in signature.parameters.values() if p.name not in ("self", "cls")]
    shown = signature.replace(parameters=kept, return_annotation=inspect.Signature.empty)
    return re.sub(r": '([^']*)'", r": \1", str(shown))


def _paragraphs(of: Any) -> str:
    return inspect.getdoc(of) or ""
