"""A pack of reports from a log, and the commands that make it.

In: a log's folder, workbook or database. Out: a folder of pages, tables, notebooks and findings.
"""

__all__ = ["NOTEBOOKS", "Pack", "make_pack"]


def __getattr__(name):
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from wearbar.pack import make

    return getattr(make, name)
