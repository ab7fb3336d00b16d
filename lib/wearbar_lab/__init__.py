"""The notebooks as a learner meets them: copies of one's own on one's own log, in JupyterLab. It
stands on `wearbar`, which never imports it.
"""
