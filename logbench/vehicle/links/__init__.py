"""One module a link; each supplies only what differs."""
