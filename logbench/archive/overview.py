"""What a list of recordings shows: each with its signals and its worst finding, and the facets."""

from __future__ import annotations

from dataclasses import dataclass

from logbench.archive.archive import Archive
from logbench.archive.find import Filter

_RANKS = ("not judged", "within", "watch", "act")
_RANK = (
    "max(CASE verdict WHEN 'act' THEN 3 WHEN 'watch' THEN 2 WHEN 'within' THEN 1 "
    "WHEN 'not judged' THEN 0 END)"
)


@dataclass(frozen=True, slots=True)
class Row:
    """One recording as a list shows it."""

    recording: str
    started_utc: str
    """ISO 8601; local time where an import knew no more, `` where nothing is known."""
    car: str
    displacement_l: float | None
    duration_s: float
    samples: int
    note: str
    simulated: bool
    signals: tuple[str, ...]
    """Acronyms, sorted."""
    worst: str
    """`act`, `watch`, `within`, `not judged`; `` when it has not been checked or cannot be."""
    problem: str
    """Why it cannot be checked."""


def overview(archive: Archive, chosen: Filter | None = None) -> list[Row]:
    """The recordings that fit, newest first. Raises `UsageError`, `QueryError`."""
    worst = worst_findings(archive)
    signals = _signals(archive)
    return [
        Row(
            recording=row["recording"],
            started_utc=row["started_utc"] or "",
            car=row["car"] or "",
            displacement_l=row["displacement_l"],
            duration_s=row["duration_s"] or 0.0,
            samples=row["samples"],
            note=row["note"] or "",
            simulated=bool(row["simulated"]),
            signals=signals.get(row["recording"], ()),
            worst=worst.get(row["recording"], ("", ""))[0],
            problem=worst.get(row["recording"], ("", ""))[1],
        )
        for row in archive.find(chosen).to_pylist()
    ]


def worst_findings(archive: Archive) -> dict[str, tuple[str, str]]:
    """Recording to (worst verdict, why it cannot be checked), of those that have been checked."""
    sql = f"SELECT recording, {_RANK} AS worst, max(problem) AS problem FROM findings GROUP BY 1"
    return {
        row["recording"]: (
            "" if row["worst"] is None else _RANKS[row["worst"]],
            row["problem"] or "",
        )
        for row in archive.query(sql).to_pylist()
    }


def _signals(archive: Archive) -> dict[str, tuple[str, ...]]:
    sql = "SELECT recording, list(DISTINCT signal ORDER BY signal) AS s FROM signals GROUP BY 1"
    answer = archive.query(sql)
    pairs = zip(answer["recording"].to_pylist(), answer["s"].to_pylist(), strict=True)
    return {path: tuple(names) for path, names in pairs}


@dataclass(frozen=True, slots=True)
class Facets:
    """What can be chosen from, each with its number of recordings."""

    recordings: int
    checked: int
    """Recordings with findings of the present checks."""
    cars: dict[str, int]
    signals: dict[str, int]
    verdicts: dict[str, int]
    checks: dict[str, int]
    first: str
    """Date of the oldest recording, ISO 8601; `` when none is known."""
    last: str


def facets(archive: Archive) -> Facets:
    """Of the whole archive."""

    def counted(sql: str) -> dict[str, int]:
        answer = archive.query(f"{sql} GROUP BY 1 ORDER BY 1")
        columns = (answer.column(k).to_pylist() for k in (0, 1))
        return {str(name): int(n) for name, n in zip(*columns, strict=True) if name}

    dates = archive.query(
        "SELECT min(started_utc) AS first, max(started_utc) AS last FROM recordings "
        "WHERE started_utc != ''"
    ).to_pylist()[0]
    of = "count(DISTINCT recording) FROM findings WHERE verdict != ''"
    checked = archive.query("SELECT count(DISTINCT recording) AS n FROM findings")
    return Facets(
        recordings=archive.index.recordings.num_rows,
        checked=int(checked["n"][0].as_py()),
        cars=counted("SELECT car, count(*) FROM recordings"),
        signals=counted("SELECT signal, count(DISTINCT recording) FROM signals"),
        verdicts=counted(f"SELECT verdict, {of}"),
        checks=counted(f'SELECT "check", {of}'),
        first=(dates["first"] or "")[:10],
        last=(dates["last"] or "")[:10],
    )


@dataclass(frozen=True, slots=True)
class Number:
    """A number that findings give, and so has a trend."""

    check: str
    subject: str
    unit: str
    times: int

    @property
    def name(self) -> str:
        """As `Archive.trend` takes it."""
        return f"{self.check}:{self.subject}"


def numbers_of(archive: Archive, car: str) -> list[Number]:
    """The numbers known of a car (its whole label), those of most recordings first."""
    sql = (
        'SELECT f."check" AS c, f.subject AS s, max(f.unit) AS u, count(*) AS n '
        "FROM findings f JOIN recordings r USING (recording) "
        "WHERE r.car = ? AND f.value IS NOT NULL GROUP BY ALL ORDER BY n DESC, c, s"
    )
    answer = archive.query(sql, [car]).to_pylist()
    return [Number(row["c"], row["s"], row["u"] or "", row["n"]) for row in answer]
