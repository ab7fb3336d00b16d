"""A pack of reports from a log (`make.make_pack`), and the commands that make it."""
