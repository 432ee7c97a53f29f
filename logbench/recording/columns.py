"""Arrow columns from numpy and text without `pa.array`, which imports pandas (0.4 s, 40 MB)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

FACTS_KEY = b"logbench.facts"
"""Key of the facts document in the metadata of recordings."""

BATCH_SCHEMA = pa.schema(
    [
        ("signal", pa.dictionary(pa.int16(), pa.string())),
        ("ecu", pa.dictionary(pa.int16(), pa.string())),
        ("t", pa.int64()),
        ("value", pa.float64()),
    ]
)
"""Of the batches that the capture process sends: t in ns on the recording's clock."""


def number_column(values: npt.NDArray[Any]) -> pa.Array:
    """A numeric column, shape (n,), without a copy. NaN stays NaN."""
    values = np.ascontiguousarray(values)
    kind = pa.from_numpy_dtype(values.dtype)
    return pa.Array.from_buffers(kind, len(values), [None, pa.py_buffer(values.data)])


def text_column(texts: Sequence[str]) -> pa.Array:
    """A column of strings."""
    encoded = [text.encode() for text in texts]
    offsets = np.cumsum([0, *map(len, encoded)], dtype=np.int32)
    buffers = [None, pa.py_buffer(offsets.data), pa.py_buffer(b"".join(encoded))]
    return pa.Array.from_buffers(pa.string(), len(encoded), buffers)


def dictionary_column(codes: npt.NDArray[Any], texts: Sequence[str]) -> pa.Array:
    """A dictionary column: `codes`, shape (n,), index into `texts`."""
    return pa.DictionaryArray.from_arrays(number_column(codes), text_column(texts))


def numbers_of(column: pa.Array, dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    """A numeric column as numpy, shape (n,), a read-only view. Raises ValueError for nulls."""
    kind = np.dtype(dtype)
    if column.type != pa.from_numpy_dtype(kind) or column.null_count:
        raise ValueError(f"a column of {kind} without nulls was expected")
    if not len(column):
        return np.empty(0, kind)
    return np.frombuffer(column.buffers()[1], kind, len(column), column.offset * kind.itemsize)
