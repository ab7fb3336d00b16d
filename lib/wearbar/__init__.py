"""Wearbar: from a service log to maintenance reports."""

__version__ = "0.1.0"
