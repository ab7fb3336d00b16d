"""A person's own spreadsheet becomes a log: `maps.propose` a map (TOML) of which sheet becomes
which table, which column is which, how dates and numbers are written and what words mean, with "?"
where a person must decide; then `convert.convert` carries every row over by it. The other way,
`descriptor` tells other tools what a log holds. It stands on `wearbar`, which never imports it.
"""
