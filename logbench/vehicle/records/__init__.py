"""What the car itself has stored: identity, codes, freeze frames, readiness, monitor results."""
