"""What a crash left behind: journals become recordings, one by one, each on its own."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator
from pathlib import Path

from logbench.errors import (
    LogbenchError,
    NotARecordingError,
    RecordingMissingError,
    SamplesMissingError,
    first_line,
)
from logbench.recording.finish import NothingRecordedError, finish
from logbench.recording.journal import JournalInUseError
from logbench.recording.journal_reading import SUFFIX, scan_start
from logbench.recording.model import JournalOutcome
from logbench.recording.storage import sweep

log = logging.getLogger(__name__)


def recover(folder: Path) -> Iterator[JournalOutcome]:
    """Finish all orphaned journals in `folder`, in order of their names; one outcome each.

    Nothing that is wrong with one of them raises or keeps the others from being finished. Files
    that are no journal of ours, and journals that another program is writing, are left alone.
    Unfinished files of ours that a crash left behind more than an hour ago are removed.
    """
    try:
        journals = sorted(
            Path(entry.path)
            for entry in os.scandir(folder)
            if entry.name.endswith(SUFFIX) and entry.is_file(follow_symlinks=False)
        )
        sweep(folder)
    except FileNotFoundError:
        return
    except OSError as error:
        yield JournalOutcome(folder, "left", f"{folder} cannot be read ({error.strerror}).")
        return
    for journal in journals:
        outcome = _outcome(journal)
        if outcome is not None:
            log.info("%s", ascii(outcome.sentence))
            yield outcome


def _outcome(journal: Path) -> JournalOutcome | None:
    """None where it is gone."""
    try:
        scan_start(journal)
        path = finish(journal)
        return JournalOutcome(
            journal, "recovered", f"An unfinished recording was recovered: {path}", path
        )
    except RecordingMissingError:
        return None
    except NothingRecordedError as error:
        return JournalOutcome(journal, "empty", str(error))
    except JournalInUseError as error:
        return JournalOutcome(journal, "in use", str(error))
    except NotARecordingError as error:
        return JournalOutcome(journal, "foreign", str(error))
    except SamplesMissingError as error:
        return JournalOutcome(journal, "left", str(error), error.path)
    except LogbenchError as error:
        return JournalOutcome(journal, "left", str(error))
    except Exception as error:
        log.exception("a journal was left")
        why = f"{journal} could not be recovered ({first_line(error)}): it is left as it is."
        return JournalOutcome(journal, "left", why)
