"""What a log must hold to, checked a whole table at a time: tables in, problems out.

`cells` reads text as typed values; `rows` looks at whole rows, and at what they say of other
tables; `odometers`, `peers` and `sizes` at values beside their like.
"""
