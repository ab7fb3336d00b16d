"""The commands `wearbar split` and `wearbar combine`; an entry point tells `wearbar` of them."""

from pathlib import Path

from wearbar.pack.parser import command


@command
def split(log, out, parts):
    """Write a log as partitions, folders of Parquet files, each with all rows of some vehicles:
    what a visit, a part or a defect ties together stays together."""
    from wearbar_cluster import split as partitions

    sizes = partitions.split(log, out, parts)
    told = f"{sizes.sum():,} vehicles in {len(sizes)} partitions, at most {sizes.max():,} in one"
    print(f"{out}: {told}; wearbar combine {out} works them out")


@command
def combine(parts, out, scheduler, workers):
    """Read, check and work out each partition by itself, and write what follows from them all:
    on-time rates, lives, wear and cost, as tables and findings. What needs all vehicles at once,
    such as the action list and forecasts, is left to wearbar pack on a partition."""
    from wearbar_cluster.combine import combine as combined

    set_aside = combined(parts, out, scheduler, workers)
    print(Path(out).resolve() / "findings.json")
    return set_aside
