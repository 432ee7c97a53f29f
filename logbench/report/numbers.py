"""The numbers of a report's comparison as plain data, for whoever computes them again.

A quantity's `before`, `after` and `change` are sums over its `cells`: of each drive in a cell its
mean, weighted; the weights of a cell sum to nothing, those of one side to 1. `half_width` is of the
change's 95 % interval.
"""

from __future__ import annotations

from typing import Any

from logbench.analysis.comparison.cells import key_of
from logbench.analysis.comparison.differences import CellDifference
from logbench.analysis.comparison.results import Comparison, SignalResult
from logbench.analysis.statement import Text
from logbench.report.gather import Material


def numbers_of(material: Material) -> dict[str, Any]:
    """As JSON types; without a comparison there are no signals."""
    result = material.comparison
    return {
        "software": material.software,
        "summary": result.summary if result else "",
        "signals": _signals(result) if result else [],
    }


def _signals(result: Comparison) -> list[dict[str, Any]]:
    return [_signal(result, s) for s in result.signals if s.change is not None]


def _signal(result: Comparison, s: SignalResult) -> dict[str, Any]:
    return {
        "signal": s.key,
        "title": s.title,
        "unit": s.unit,
        "verdict": s.verdict.value,
        "sentence": s.reason,
        "said": s.reason.to_json() if isinstance(s.reason, Text) else None,
        "before": s.before,
        "after": s.after,
        "change": s.change,
        "half_width": s.half_width,
        "cells": [_cell(result, cell) for cell in s.cells],
    }


def _cell(result: Comparison, cell: CellDifference) -> dict[str, Any]:
    key = key_of(cell.code)
    load = key.load(result.axis) if result.axis else ()
    return {"rpm": list(key.rpm), "load": list(load), "shares": [list(s) for s in cell.shares]}
