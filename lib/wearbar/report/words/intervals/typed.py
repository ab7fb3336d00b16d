"""What is said of work that was typed in after its window had closed."""

from wearbar.report.quantities import plural

__all__ = ["typed_late"]


def typed_late(found):
    """How many jobs were done in time and typed late, which settles nothing; nothing where none was."""
    n = int(found["why"].eq("typed-late").sum())
    if not n:
        return ""
    was, its, they = ("was", "its", "It counts") if n == 1 else ("were", "their", "They count")
    return (
        f"{plural(n, 'job')} {was} done in time, but typed in only after {its} window had closed. "
        f"{they} neither as on time nor as late. Type work in on the day that it is done."
    )
