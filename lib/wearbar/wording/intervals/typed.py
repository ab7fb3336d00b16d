"""What is said of work that was typed in after its window had closed."""

from wearbar.wording.common import plural

__all__ = ["typed_late"]


def typed_late(found):
    """How many late jobs are late by the record alone; nothing where none is."""
    rows = found[found["in_rate"] & found["is_typed_late"]]
    n = len(rows)
    if not n:
        return ""
    was, its = ("was", "its") if n == 1 else ("were", "their")
    return (
        f"{plural(n, 'late job')} {was} done in time, but typed in only after {its} window had closed. "
        "Until then the log showed them as open. ".replace("them", "it" if n == 1 else "them")
        + "Type work in on the day that it is done."
    )
