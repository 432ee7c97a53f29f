"""A car that is not there: engine physics, faults, driver, ECUs, adapter."""
