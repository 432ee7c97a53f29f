"""A car that is there: links, discovery, request packing and scheduling."""
