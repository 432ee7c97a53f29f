"""The first start: adapters are found, told, and the likeliest is offered to be tried."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QObject

from logbench.app.live.session import LiveSession
from logbench.app.live.setup import SetUp
from logbench.app.notice import Notice
from logbench.cases.live import find_ways
from logbench.cases.runner import Owner
from logbench.cases.settings import Settings
from logbench.foreign import in_label
from logbench.vehicle.links.nearby import Nearby
from logbench.words import tr


class FirstStart(QObject):
    """Looks once, where no link was ever used; `connect_link` tries what is chosen."""

    def __init__(
        self,
        settings: Settings,
        owner: Owner,
        session: LiveSession,
        set_up: SetUp,
        notice: Notice,
        connect_link: Callable[[], object],
        try_out: Callable[[], object],
        parent: QObject,
    ) -> None:
        super().__init__(parent)
        self._settings, self._owner, self._session = settings, owner, session
        self._set_up, self._notice = set_up, notice
        self._connect, self._try_out = connect_link, try_out

    def look(self) -> None:
        """Look for adapters; nothing is written to any of them."""
        if self._first:
            self._owner.start(find_ways(), self._found, self._notice.trouble, slot="ways")

    @property
    def _first(self) -> bool:
        return not self._settings.links and not self._session.active

    def _found(self, nearby: Nearby) -> None:
        if not self._first:
            return
        more = ""
        if nearby.paired:
            names = ", ".join(map(in_label, nearby.paired))
            more = tr("Paired by Bluetooth: {names}. Ctrl+F5 looks for adapters.", names=names)
        if nearby.links:
            self._set_up.link.choose(nearby.links[0].url)
            titles = "; ".join(in_label(choice.title) for choice in nearby.links)
            found = tr("Found: {titles}. The first is likeliest an adapter.", titles=titles)
            rest = tr("Switch the key on and try it; nothing has been sent to it so far.")
            text, button, run = f"{found} {rest} {more}", tr("Try it"), self._connect
        else:
            none = tr("No adapter was found. Plug one in and press Refresh (F5).")
            rest = tr(
                "To try the program without a car, record the simulated one. An exercise (F6 on "
                "the Job page) hides a fault in it for you to find."
            )
            button, run = tr("Record the simulated car"), self._try_out
            text = f"{none} {more} {rest}"
        self._notice.success(" ".join(text.split()), button, run)
