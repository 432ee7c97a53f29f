"""The Live page: a drive while it happens."""
