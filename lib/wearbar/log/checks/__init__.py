"""What a log must hold to, checked a whole table at a time: tables in, the problems found out (`found.problems`).

`cells` reads text as typed values; `rows` looks at rows and keys; `readings` at the odometers; `parts` at spans, depths and fills.
"""
