"""Recording without a window: what the command line and the demo use."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable

from logbench.capture.messages import CaptureRequest, Failed, Finished, Message, Step
from logbench.capture.process import Capture, signals_handled
from logbench.capture.sources.choose import SourceMaker, make_source
from logbench.errors import error_named
from logbench.recording.finish import recover


def run_headless(
    request: CaptureRequest,
    on_message: Callable[[Message], None],
    make: SourceMaker = make_source,
) -> Finished:
    """Record until the request's limit, Ctrl-C or SIGTERM; the file is complete when it returns.

    Orphaned journals in the output's folder are recovered first. Every message, the last one
    included, goes to `on_message` on the caller's thread. Raises the `LogbenchError` that ended it.
    """
    if request.out is not None and request.out.parent.is_dir() and request.resume is None:
        for path in recover(request.out.parent):
            on_message(Step(f"An unfinished recording was recovered: {path}"))
    stopped = threading.Event()
    with (
        signals_handled(lambda *_: stopped.set(), signal.SIGINT, signal.SIGTERM),
        Capture(request, make) as capture,
    ):
        asked = False
        while True:
            if stopped.is_set() and not asked:
                asked = True
                capture.stop()
            capture.wait(0.1)
            for message in capture.poll():
                on_message(message)
                if isinstance(message, Finished):
                    return message
                if isinstance(message, Failed):
                    raise error_named(message.error, message.sentence)
