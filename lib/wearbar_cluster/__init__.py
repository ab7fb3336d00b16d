"""Past one machine: a log as partitions (`split`), each worked out by itself, here or on a Dask
cluster, and what they say together (`combine`). It stands on `wearbar`, which never imports it.
"""
