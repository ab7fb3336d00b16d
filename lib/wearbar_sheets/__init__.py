"""Visit sheets: a vehicle's next visit on paper (`sheets`), and back into a new log once filled in
(`record`). It stands on `wearbar`, which never imports it.
"""
