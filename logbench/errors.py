"""Everything the world can do wrong, on one page.

A `LogbenchError` carries one sentence for the user: what happened and what to do next. It is shown
as it is, without a traceback, and the command line exits with `exit_code`. Anything else that
escapes is a bug of ours and goes to the log with its traceback.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Self

from logbench.foreign import fill, in_label

_MOST_SENTENCE = 2000
"""Characters; one that lists what is wrong in a file has some hundreds."""


class LogbenchError(Exception):
    """Base of all errors that the world causes; `str(error)` is one sentence for the user, plain
    whatever the file or the car said that it tells of. `values` go into its `{places}`."""

    exit_code = 3

    def __init__(self, sentence: str = "", **values: object) -> None:
        whole = fill(sentence, **values) if values else sentence
        super().__init__(in_label(whole, most=_MOST_SENTENCE))


NO_MEMORY = (
    "There is not enough memory for this: close other programs, or take a shorter stretch or fewer "
    "files."
)
"""Said where a `MemoryError` comes to whoever asked."""


class UsageError(LogbenchError):
    """The user asked for something that cannot be understood (a bad duration, an odd option)."""


def first_line(error: BaseException) -> str:
    """What a library says, for the middle of a sentence: its first line, or else its kind."""
    text = str(error).strip().splitlines()
    return in_label(text[0], most=120).rstrip(".") if text else type(error).__name__


class WorkerDiedError(LogbenchError):
    """A thread of the program ended by a fault of ours; its traceback is in the log."""

    @classmethod
    def of(cls, name: str, cause: BaseException) -> Self:
        """The error for the death of the thread `name` by `cause`."""
        return cls(
            f"A part of the program ({name}) failed: {type(cause).__name__}: {cause}. What it was "
            "doing has ended; start it again, and report the fault with the log if it comes back."
        )


def error_named(kind: str, sentence: str) -> LogbenchError:
    """The error that another process reported by the name of its class and its sentence."""
    found = globals().get(kind)
    if isinstance(found, type) and issubclass(found, LogbenchError):
        return found(sentence)
    return LogbenchError(sentence)


# --- the way to the car -------------------------------------------------------------------------


class LinkError(LogbenchError):
    """Base of all trouble between the program and the car."""


class LinkUnknownError(LinkError):
    """The link's URL is of no known kind, or has a part that is not understood."""


class PortMissingError(LinkError):
    """The serial port does not exist, is in use, or the network address refuses or times out."""


class AdapterMuteError(LinkError):
    """Something is at the port, but no adapter answers there (or at no speed tried)."""


class AdapterUnfitError(LinkError):
    """The adapter answers, but does not understand the commands that are needed."""


class IgnitionOffError(LinkError):
    """The adapter answers and sees little or no voltage, or no protocol: the ignition is off."""


class CarSilentError(LinkError):
    """The adapter found a protocol or tried all, but the car gives no answer."""


CAR_SILENT = (IgnitionOffError, CarSilentError)
"""The link works, the car does not answer: its key is off, or its plug has no contact."""


class LinkLostError(LinkError):
    """The link worked and broke: unplugged, out of range, closed by the other side."""


class ConnectingStoppedError(LinkError):
    """The user stopped it while the link was being set up."""


class ReplyError(LinkError):
    """A reply that cannot be understood; the request may be tried again."""


class RequestRefusedError(ReplyError):
    """The adapter does not understand this request (several signals in one); ask for less."""


class ClearingRefusedError(LogbenchError):
    """Codes are not cleared, or no control is started: the message says which condition lacks."""


class AnotherCarError(LogbenchError):
    """What is of one car was about to be put with another: nothing was, unless a person says that
    they are one. `pairs`: the identities that were held against each other; `files`: what was left
    out for that."""

    def __init__(
        self, sentence: str, pairs: tuple[Any, ...] = (), files: tuple[Any, ...] = ()
    ) -> None:
        super().__init__(sentence)
        self.pairs, self.files = pairs, files


# --- signals ------------------------------------------------------------------------------------


class SignalUnknownError(LogbenchError):
    """No signal of that acronym is in the table (the message proposes near ones)."""


class SignalUnsupportedError(LogbenchError):
    """The signal exists, but this car does not report it, or this recording does not hold it."""


# --- recordings ---------------------------------------------------------------------------------


class RecordingError(LogbenchError):
    """Base of all trouble with a recording's file."""


class RecordingMissingError(RecordingError):
    """No file at that path."""


class NotARecordingError(RecordingError):
    """The file is readable, but holds no recording (another Parquet file, a text file)."""


class RecordingDamagedError(RecordingError):
    """The file is a recording that is cut short or damaged."""


class RecordingTooNewError(RecordingError):
    """The file was written by a newer major version of the format."""


class NotesError(RecordingError):
    """The notes beside a recording cannot be read, or were made for another recording."""


class StorageError(LogbenchError):
    """The disk is full, the folder is read-only or gone; what was already written stays."""


class SamplesMissingError(StorageError):
    """A recording was finished, but not all that had been accepted is in it: its journal stays.
    `path`: the recording."""

    def __init__(self, sentence: str, path: Path) -> None:
        super().__init__(sentence)
        self.path = path


class ImportFileError(LogbenchError):
    """A file of another program cannot be imported, or its mapping cannot be used."""


class ArchiveError(LogbenchError):
    """The archive's folder or address cannot be used, or a path would leave it."""


class QueryError(LogbenchError):
    """The archive refuses the SQL (it is not a single reading statement) or cannot run it."""


# --- jobs ---------------------------------------------------------------------------------------


class JobError(LogbenchError):
    """Base of all trouble with a job's folder."""


class JobMissingError(JobError):
    """No job file in that folder, or it cannot be read."""


class JobDamagedError(JobError):
    """The job file, or a file it names, is not what it should be; the message names the field."""


class JobTooNewError(JobError):
    """The job was written by another major version."""


class JobBusyError(JobError):
    """Another program is saving the job just now, and goes on doing so."""


class JobConflictError(JobError):
    """Somebody else changed the job in the meantime; nothing was overwritten."""


# --- analysis, window ---------------------------------------------------------------------------


class BandsError(LogbenchError):
    """A band file cannot be read; the message names the file, the field and the legal values."""


class WindowError(LogbenchError):
    """The window cannot open; the message names the package to install or the command to use."""
