"""Parquet files: a table each."""

import pyarrow as pa
from pyarrow import parquet

from wearbar.log.sources.raw import LogError, raw_of_arrow

__all__ = ["read_parquet"]

MOST_BYTES = 4 * 2**30


def read_parquet(path, where):
    """The table in a Parquet file as a `Raw`. Raises LogError where it is none, or would unpack to more than a log can hold."""
    try:
        with parquet.ParquetFile(path) as file:
            unpacked = sum(
                file.metadata.row_group(i).total_byte_size
                for i in range(file.metadata.num_row_groups)
            )
            if unpacked > MOST_BYTES or file.metadata.num_rows > MOST_BYTES // 8:
                raise LogError(
                    f"{where} would unpack to {unpacked / 2**30:.0f} GB; that is no service log."
                )
            return raw_of_arrow(file.read(), where)
    except (pa.ArrowException, UnicodeDecodeError) as error:
        raise LogError(
            f"{where} can't be read as Parquet, whatever its ending says: {_first_line(error)}"
        ) from None


def _first_line(error):
    return (str(error).splitlines() or ["it is damaged"])[0][:160].rstrip(".") + "."
