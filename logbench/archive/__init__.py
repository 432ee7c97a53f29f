"""Everything ever recorded, in a folder or object store, found by car, date, signal, finding."""
