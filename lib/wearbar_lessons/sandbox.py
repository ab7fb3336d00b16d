"""One student's notebook, run on another log in a process of its own: limits of time and memory, no
network, and the class's folder out of sight. Linux alone has all of these; elsewhere Python's own
ways to the network are closed, as a guard against mishap: a program that is begun has its own."""

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from contextlib import suppress
from functools import cache
from pathlib import Path

import matplotlib
import nbformat

SECONDS, MEMORY_BYTES, FILE_BYTES = 120, 4 * 2**30, 64 * 2**20
APART = ["unshare", "--net", "--mount", "--pid", "--fork", "--kill-child"]
HIDE = 'mount -t tmpfs -o size=1m none "$1" && shift && exec "$@"'
NO_NETWORK = "WEARBAR_LESSON_NO_NETWORK"
TO_OTHERS = ("bind", "connect", "getaddrinfo", "gethostby", "getnameinfo", "sendmsg", "sendto")
SLOW = "rfc3987_syntax"  # as in `wearbar.pack.prepared`
KEPT = ("PATH", "PYTHONPATH", "LANG", "LC_ALL", "VIRTUAL_ENV", "SYSTEMROOT")


@cache
def walls():
    """How to begin a process apart, where the system lets us: [] where it does not."""
    for command in (APART, [*APART, "--map-root-user"]):
        if shutil.which(command[0]):
            with tempfile.TemporaryDirectory() as hidden:
                tried = [*command, "sh", "-c", HIDE, "sh", hidden, "true"]
                if subprocess.run(tried, capture_output=True, check=False).returncode == 0:
                    return command
    return []


def run_apart(notebook, log, hidden, seconds=SECONDS):
    """Run a notebook with its parameter `folder` as `log`: (the notebook as far as it ran or None,
    why it stopped or ""). hidden: a folder that it must not see."""
    with tempfile.TemporaryDirectory(prefix="lesson-") as work:
        work = Path(work)
        shutil.copy(notebook, work / "given.ipynb")
        shutil.copytree(log, work / "log")
        for fonts in Path(matplotlib.get_cachedir()).glob("fontlist-*.json"):
            shutil.copy(fonts, work)  # listing them anew takes seconds
        command = [sys.executable, "-m", __name__, "given.ipynb", "ran.ipynb"]
        if walls():
            command = [*walls(), "sh", "-c", HIDE, "sh", str(Path(hidden).resolve()), *command]
        own = {name: os.environ[name] for name in KEPT if name in os.environ}
        own |= {"HOME": str(work), "TMPDIR": str(work), "OMP_NUM_THREADS": "1"}
        own |= {"MPLCONFIGDIR": str(work), "IPYTHONDIR": str(work)}
        own |= {} if walls() else {NO_NETWORK: "1"}
        how = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": work}
        process = subprocess.Popen(command, env=own, start_new_session=True, **how)
        why = ""
        try:
            process.wait(seconds)
        except subprocess.TimeoutExpired:
            why = "time"
        finally:
            _end(process)
        if not why and process.returncode:
            why = "memory" if process.returncode < 0 or process.returncode > 2 else "error"
        try:
            return nbformat.read(work / "ran.ipynb", as_version=4), why
        except (OSError, ValueError, nbformat.ValidationError):
            return None, why or "error"


def _end(process):
    """End the process and all that it began."""
    if hasattr(os, "killpg"):
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
    else:
        process.kill()
    process.wait()


def _run(given, ran):
    """What the process apart does; its exit code is 1 where a cell stopped."""
    sys.modules.setdefault(SLOW, None)
    import papermill

    if sys.platform != "win32":
        import resource

        for name, most in (("CPU", SECONDS), ("AS", MEMORY_BYTES), ("FSIZE", FILE_BYTES)):
            resource.setrlimit(getattr(resource, f"RLIMIT_{name}"), (most, most))
    if NO_NETWORK in os.environ:
        sys.addaudithook(_refuse)
    how = {"engine_name": "wearbar", "progress_bar": False, "autosave_cell_every": 0}
    how |= {"kernel_name": "python3", "language": "python"}
    try:
        papermill.execute_notebook(given, ran, {"folder": "log"}, **how)
    except papermill.PapermillExecutionError:
        return 1
    return 0


def _refuse(event, _):
    if event.startswith(tuple(f"socket.{name}" for name in TO_OTHERS)):
        raise OSError("a lesson is marked without a network")


if __name__ == "__main__":
    sys.exit(_run(*sys.argv[1:]))
