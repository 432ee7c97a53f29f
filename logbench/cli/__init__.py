"""The command line: commands, and how the terminal shows what the cases answer."""
