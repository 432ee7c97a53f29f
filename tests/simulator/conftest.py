"""Fixtures for the simulated car."""

from __future__ import annotations

from collections.abc import Callable
from weakref import WeakKeyDictionary

import pytest

from logbench.simulator.adapter import Adapter

Talk = Callable[..., tuple[list[str], float]]


@pytest.fixture
def talk() -> Talk:
    """`talk(adapter, line, t_s)`: lines of the answer without the prompt, and when that is due.

    In the adapter's own time: nothing sleeps. Without `t_s`, the line is sent right after the last
    prompt.
    """
    latest_s: WeakKeyDictionary[Adapter, float] = WeakKeyDictionary()

    def ask(adapter: Adapter, line: str, t_s: float | None = None) -> tuple[list[str], float]:
        t_s = latest_s.get(adapter, 0.0) if t_s is None else t_s
        adapter.receive(line.encode("latin-1") + b"\r", t_s)
        data = b""
        due_s = t_s
        while adapter.due() is not None:
            due = adapter.pop()
            assert due.t_s >= due_s
            due_s = due.t_s
            data += due.data
        latest_s[adapter] = due_s
        assert data.endswith(b">"), data
        text = data[:-1].decode("latin-1")
        return [part for part in text.replace("\n", "\r").split("\r") if part], due_s

    return ask
