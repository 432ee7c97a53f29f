"""Files of other programs into recordings; one module a format, `run.py` chooses among them."""
