"""A drive being recorded: vehicle to journal, in a process of its own."""
