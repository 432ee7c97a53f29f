"""The Archive page: everything ever recorded."""
