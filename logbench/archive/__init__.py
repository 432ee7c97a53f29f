"""Everything ever recorded. `logbench.archive(PLACE)` opens an archive: `archive.fleet.Fleet`."""

from __future__ import annotations

import sys
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from logbench.archive.fleet import Fleet


class _Opens(ModuleType):
    """This package is the function of its name, too: the language's reference on modules, under
    customizing module attribute access."""

    def __call__(self, place: Any, *, memory: str = "", cache: Any = None) -> Fleet:
        """Open the archive at a folder or URL; see `Fleet`."""
        from logbench.archive.fleet import Fleet

        return Fleet(place, memory=memory, cache=cache)


sys.modules[__name__].__class__ = _Opens
