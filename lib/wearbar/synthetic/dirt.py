def soil(tables, setting, rng):
    return tables, None
