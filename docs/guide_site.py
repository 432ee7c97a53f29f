"""MkDocs' hook: the site's navigation is the list of the guide's pages; pictures lie on paper."""

from __future__ import annotations

from typing import Any

from logbench.app.guide import FIRST, Entry, chapters


def on_config(config: Any) -> Any:
    """Called by MkDocs once its file is read."""
    config["nav"] = [
        {"Guide": FIRST},
        *({chapter.title: [_nav(entry) for entry in chapter.entries]} for chapter in chapters()),
    ]
    return config


def on_page_content(html: str, **_: Any) -> str:
    """Called by MkDocs for each page: pictures are drawn for paper, in the dark look, too."""
    return html.replace("<img ", '<img style="background: white; padding: 8px; width: 100%" ')


def _nav(entry: Entry) -> dict[str, Any]:
    if not entry.parts:
        return {entry.title: entry.file}
    return {entry.title: [{"All": entry.file}, *map(_nav, entry.parts)]}
