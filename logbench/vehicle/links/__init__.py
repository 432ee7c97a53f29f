"""One module a link; each supplies only what differs. `schemes.py` has the table of all kinds."""

from logbench.vehicle.links.schemes import open_link

__all__ = ["open_link"]
