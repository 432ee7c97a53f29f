"""Before and after: recordings held against each other at equal operating points."""
