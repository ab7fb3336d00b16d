"""First steps: an empty log with a plan to fill in (`wearbar start`), and the notebooks as a
learner meets them, copies on a log of one's own (`wearbar lab`). It stands on `wearbar`, which
never imports it.
"""
