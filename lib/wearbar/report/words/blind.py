"""What is said where nothing forbids driving, and of what the log is blind to."""

from wearbar.report.quantities import listing

__all__ = ["BLIND", "blind", "danger_none"]

BLIND = {
    "defects": "an open defect would not be seen",
    "certificates": "an expired certificate would not be seen",
    "campaigns": "an open recall would not be seen",
}
_NONE = {
    "defects": "no open off-road defect",
    "certificates": "no expired certificate",
    "campaigns": "no open recall that stops a vehicle",
}


def danger_none(missing):
    """That nothing in the log forbids driving, and what the log cannot show."""
    held = [words for name, words in _NONE.items() if name not in missing]
    clear = [f"The log shows {listing(held)}."] if held else []
    return " ".join([*clear, *(f"**{words}**" for words in blind(missing))])


def blind(missing):
    """One sentence on the tables of danger that the log lacks; none where it has them all."""
    if not missing:
        return []
    return [f"The log has no record of {listing(missing)}: {listing([BLIND[m] for m in missing])}."]
