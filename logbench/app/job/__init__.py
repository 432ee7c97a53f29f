"""The Job page: a repair from the concern to the report."""
