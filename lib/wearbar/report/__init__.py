"""What a report prints: its units, tables, charts, words and calendar, and the notebook's own `Report`."""
