"""Processes to run notebooks in, none of which outlives the run: not its end, not Ctrl-C, not the death of its parent."""

import multiprocessing
import os
import threading
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress

from wearbar.report.report import NotDone

__all__ = ["as_done", "workers"]


@contextmanager
def workers(n, environment):
    """A pool of `n` processes that have `environment` (name to text) as well, handed over by a pipe.

    Each holds one end of a pipe and ends, with the kernel it started, once the other end is closed:
    by leaving this block early, or by the system where this process is ended. Raises NotDone where
    a worker is ended from outside.
    """
    end, leash = multiprocessing.Pipe(duplex=False)
    pool = ProcessPoolExecutor(n, multiprocessing.get_context("spawn"), _begin, (end, environment))
    try:
        yield pool
        pool.shutdown()
    except BrokenProcessPool:
        raise NotDone(
            "a report's process was ended from outside (out of memory?); nothing was written"
        ) from None
    finally:
        leash.close()
        pool.shutdown(cancel_futures=True)


def as_done(futures):
    """The futures as they finish. Between two it wakes, so that Ctrl-C is heard on Windows too."""
    waiting = set(futures)
    while waiting:
        done, waiting = wait(waiting, timeout=0.5, return_when=FIRST_COMPLETED)
        yield from done


def _begin(end, environment):
    """Make a worker: one thread for a kernel's algebra, and no word from it that it talks by TCP, which on one machine is no news."""
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", **environment}
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    threading.Thread(target=_end_with, args=(end,), daemon=True).start()


def _end_with(end):
    import psutil

    with suppress(EOFError, OSError):
        end.recv()
    for _ in range(2):  # a kernel that was being started during the first round ends in the second
        for kernel in psutil.Process().children(recursive=True):
            with suppress(psutil.Error):
                kernel.kill()
    os._exit(1)
