"""Plot core: strips on one shared time axis, fed from min/max pyramids. See `stack.py`."""
