"""How an archive looks in a notebook: its newest drives, each with a small plot."""

from __future__ import annotations

from logbench.archive.archive import Archive
from logbench.archive.overview import preview_of
from logbench.errors import LogbenchError
from logbench.foreign import in_html
from logbench.recording.preview import svg_of
from logbench.signals.numbers import started_text, time_text

_SHOWN = 12
_SIGNALS = ("RPM", "VSS", "ECT")
"""The first of these that a drive holds is drawn."""


def page_of(archive: Archive, title: str) -> str:
    """HTML without anything active; what files say is escaped."""
    rows = archive.find().slice(0, _SHOWN).to_pylist()
    body = "".join(
        f"<tr><td>{in_html(row['recording'])}</td>"
        f"<td>{in_html(row['car'])}</td><td>{started_text(row['started'])}</td>"
        f"<td>{time_text(row['duration_s'])}</td><td>{_plot(archive, row['recording'])}</td></tr>"
        for row in rows
    )
    head = "".join(f"<th>{name}</th>" for name in ("drive", "car", "started", "length", ""))
    return f"<p>{in_html(title)}</p><table><tr>{head}</tr>{body}</table>"


def _plot(archive: Archive, name: str) -> str:
    for signal in _SIGNALS:
        try:
            found = preview_of(archive, name, signal)
        except LogbenchError:
            continue
        if not found.is_empty:
            return svg_of(found)
    return ""
