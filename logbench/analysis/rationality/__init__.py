"""Which readings can be believed: sensors that stand still, drop out, or contradict the others."""
