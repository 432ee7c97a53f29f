"""The tests, and what they share: a package, so that no installed one of this name is meant."""
