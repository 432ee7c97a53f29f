"""One module a foreign file format."""
