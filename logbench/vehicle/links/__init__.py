"""One module a link; each supplies only what differs. `schemes.py` has the table of all kinds."""
