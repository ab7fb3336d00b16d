"""One run at a time: a lock of the operating system's, which ends with the process that holds it, however it ends."""

import datetime
import os
import platform
from contextlib import contextmanager, suppress

try:
    import fcntl
except ImportError:  # Windows
    import msvcrt

    fcntl = None

__all__ = ["Taken", "locked"]

FAR = 1 << 30  # Windows locks bytes, and nobody may read those: one far beyond the text


class Taken(Exception):
    """Another run holds the lock; the message says which."""


@contextmanager
def locked(path):
    """Hold the lock file `path`, in a folder that there is, which names this process; it is gone afterwards. Raises Taken."""
    file = _take(path)
    try:
        yield
    finally:
        if fcntl:  # an open file can be removed, and must be, before another may hold it
            path.unlink(missing_ok=True)
        os.close(file)
        if not fcntl:
            with suppress(OSError):  # another run may have opened it by now
                path.unlink()


def _take(path):
    while True:
        try:
            file = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        except FileNotFoundError:
            raise Taken("one that is ending just now") from None
        try:
            _lock(file)
        except (BlockingIOError, PermissionError):
            holder = os.read(file, 400).decode("utf-8", "replace").strip()
            os.close(file)
            raise Taken(holder or "another process") from None
        if _is_there(file, path):
            break
        os.close(file)  # the run before removed it just now
    os.ftruncate(file, 0)
    os.write(
        file,
        f"process {os.getpid()} on {platform.node()}, begun {datetime.datetime.now():%Y-%m-%d %H:%M:%S}\n".encode(),
    )
    return file


def _lock(file):
    if fcntl:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    else:
        os.lseek(file, FAR, os.SEEK_SET)
        msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        os.lseek(file, 0, os.SEEK_SET)


def _is_there(file, path):
    try:
        return os.path.samestat(os.fstat(file), path.stat())
    except FileNotFoundError:
        return False
