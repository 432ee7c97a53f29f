"""What every part of the program stands on: its version, its threads."""
