"""A pack of reports from a log (`make.make_pack`), and the commands that make it."""

# of a report's process, in whose place another runs; read when numpy is imported
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
