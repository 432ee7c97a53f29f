"""What recordings of an archive can be chosen by, each with what the other filters leave of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from logbench.archive.find import VERDICTS, Filter, paths_of, where
from logbench.archive.query import Sql


@dataclass(frozen=True, slots=True)
class Facets:
    """What can be chosen from, each with the number of recordings that it leaves beside all other
    filters; what is chosen is there even where nothing is left."""

    recordings: int
    """Of the whole archive."""
    checked: int
    """Recordings with findings of the present checks, of the whole archive."""
    cars: dict[str, int]
    engines: dict[str, int]
    """Kinds of engine, as far as they are known."""
    signals: dict[str, int]
    verdicts: dict[str, int]
    checks: dict[str, int]


def apart(chosen: Filter) -> tuple[Filter, Filter]:
    """A filter in two: what is typed, and what is chosen from facets."""
    typed = replace(chosen, cars=(), engine="", signals=(), finding="")
    facets = Filter(
        cars=chosen.cars, engine=chosen.engine, signals=chosen.signals, finding=chosen.finding
    )
    return typed, facets


class Left:
    """What a choice of facets leaves of recordings, `paths`. Raises `UsageError`, `QueryError`."""

    def __init__(self, views: Sql, paths: Sequence[str], chosen: Filter) -> None:
        self._views, self._paths, self._chosen = views, set(paths), chosen
        names = [part.strip() for part in chosen.finding.split(":")] if chosen.finding else []
        self._verdict = next((name for name in names if name in VERDICTS), "")
        self._check = next((name for name in names if name not in VERDICTS), "")

    def of(self, **others: Any) -> list[str]:
        """With other values of some facets."""
        sql, values = where(replace(self._chosen, **others))
        fit = paths_of(self._views.run(f"SELECT recording FROM recordings r WHERE {sql}", values))
        return [path for path in fit if path in self._paths]

    def counts(self, signals: Mapping[str, Sequence[str]]) -> dict[str, dict[str, int]]:
        """The fields of `Facets` that the filters tell; `signals`: those of each recording."""
        all_of = self.of()
        names = Counter(name for path in all_of for name in signals.get(path, ()))
        recordings = "SELECT {0}, count(*) FROM recordings WHERE {0} != '' AND recording IN"
        findings = (
            "SELECT {0}, count(DISTINCT recording) FROM findings WHERE verdict != '' "
            "AND (? = '' OR {1} = ?) AND recording IN"
        )
        check, verdict = self._check, self._verdict
        of_verdict = self._counted(
            findings.format("verdict", '"check"'), self.of(finding=check), check, check
        )
        of_check = self._counted(
            findings.format('"check"', "verdict"), self.of(finding=verdict), verdict, verdict
        )
        cars = self._counted(recordings.format("car"), self.of(cars=()))
        engines = self._counted(recordings.format("engine"), self.of(engine=""))
        chosen = self._chosen
        return {
            "cars": _with(cars, chosen.cars),
            "engines": _with(engines, [chosen.engine]),
            "signals": _with(dict(names), chosen.signals),
            "verdicts": _with(of_verdict, [verdict]),
            "checks": _with(of_check, [check]),
        }

    def _counted(self, sql: str, paths: Sequence[str], *values: str) -> dict[str, int]:
        if not paths:
            return {}
        answer = self._views.run(f"{sql} (SELECT unnest(?)) GROUP BY 1", [*values, [*paths]])
        columns = (answer.column(k).to_pylist() for k in (0, 1))
        return {str(name): int(n) for name, n in zip(*columns, strict=True) if name}


def _with(counts: dict[str, int], chosen: Sequence[str]) -> dict[str, int]:
    """In order of names, and what is chosen among them."""
    return dict(sorted((dict.fromkeys(filter(None, chosen), 0) | counts).items()))
