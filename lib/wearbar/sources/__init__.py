"""Where a log comes from: a folder of CSV or Parquet files, a workbook, a database. Each gives the same tables of text.

A reader here says what stands in the source and on which line; what it means, and whether it may, is for `wearbar.checks`.
"""

from wearbar.sources.raw import LogError, Raw, Source, raw_of_frame, unescaped

__all__ = ["LogError", "Raw", "Source", "open_source", "raw_of_frame", "unescaped"]


def open_source(address):
    """The `Source` at a path (folder, workbook) or a database URL. Raises LogError, in one sentence."""
    if "://" in str(address):
        from wearbar.sources.database import open_database

        return open_database(str(address))
    from wearbar.sources.files import open_path

    return open_path(address)
