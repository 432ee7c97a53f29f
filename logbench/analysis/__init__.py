"""Alignment, driving conditions, derived signals, bands and checks."""
