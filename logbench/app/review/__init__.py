"""The Review page: a drive afterwards."""
