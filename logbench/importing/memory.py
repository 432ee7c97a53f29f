"""Mappings that are remembered for files that look the same."""

from __future__ import annotations

import logging
import re
from pathlib import Path

from platformdirs import user_config_path

from logbench.errors import ImportFileError
from logbench.importing.model import Mapping

log = logging.getLogger(__name__)


def default_folder() -> Path:
    """Where mappings are kept for this user."""
    return user_config_path("logbench", appauthor=False) / "mappings"


def remember(mapping: Mapping, folder: Path | None = None) -> Path:
    """Keep a mapping for files with the same header; returns its file. Raises `StorageError`."""
    path = _path(mapping.fingerprint, folder)
    mapping.save(path)
    return path


def recall(fingerprint: str, folder: Path | None = None) -> Mapping | None:
    """The mapping kept for that header; None when there is none or it cannot be used any more."""
    path = _path(fingerprint, folder)
    if not path.exists():
        return None
    try:
        mapping = Mapping.load(path)
    except ImportFileError as error:
        log.warning("%s", error)
        return None
    return mapping if mapping.fingerprint == fingerprint else None


def _path(fingerprint: str, folder: Path | None) -> Path:
    if not re.fullmatch(r"[0-9a-f]{16}", fingerprint):
        raise ImportFileError("The mapping has no fingerprint of a header: detect it anew.")
    return (folder or default_folder()) / f"{fingerprint}.toml"
