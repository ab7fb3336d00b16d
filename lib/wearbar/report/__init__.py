"""What a report prints: units, tables, charts, words, calendar; the notebook's `Report`."""
