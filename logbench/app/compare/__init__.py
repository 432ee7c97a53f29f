"""The Compare page: before and after a repair."""
