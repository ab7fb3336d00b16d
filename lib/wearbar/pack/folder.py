"""The folder of a pack: ours by its list of files, or left alone; one run at a time works on it.

`manifest.json` lists every file of the pack with its SHA-256, and what each report was made from.
Only what stands in that list, and is still as it was written, is ever replaced. The work goes on in
`<out>.wearbar` beside it, which holds a mark and the lock, the finished reports (`run`), the pack
that is being put together (`new`) and, for a moment, the one that it replaces (`last`).
"""

import datetime
import hashlib
import json
import os
import platform
import shutil
from contextlib import contextmanager, suppress

from wearbar.log.places import place
from wearbar.report.quantities import clean, listing
from wearbar.report.report import NotDone

try:
    import fcntl
except ImportError:  # Windows
    import msvcrt

    fcntl = None

MANIFEST, SCHEMA = "manifest.json", "wearbar-pack/1"
MARK = "about-this-folder.txt"  # of shared/report
FAR = 1 << 30  # Windows locks bytes, and nobody may read those: one far beyond the text
# what a report may be made from otherwise, in words
DIFFERS = {
    "log": "another log, plan or report date",
    "parameters": "other parameters",
    "code": "another version of the program or the notebook",
}


@contextmanager
def owned(out):
    """Own the folder `out` (absolute) for one run: gives the folder beside it to work in. A pack
    that a dead run left half-way in its place is put right first. Raises NotDone where `out` holds
    anything but a pack, where another run is at work, or the folder to work in is not ours."""
    _refuse_others(out)
    work = out.with_name(f"{out.name}.wearbar")
    run, last, mark = work / "run", work / "last", work / MARK
    try:
        work.mkdir(parents=True, exist_ok=True)
        if not mark.is_file() and {path.name for path in work.iterdir()} - {"lock"}:
            told = "in the way and not this program's; move it or give --out another folder"
            raise NotDone(f"{work} is {told}")
        with _locked(work / "lock", out):
            shutil.copyfile(place("shared", "report", MARK), mark)
            try:
                if out.is_dir():  # the reports of a private folder are worked on in private
                    shutil.copymode(out, work)
                if last.exists() and not read_manifest(out):  # a run died between its two renames
                    with suppress(FileNotFoundError):
                        out.rmdir()
                    last.rename(out)
                _hand_over(last, out)
                _refuse_others(out)
                yield work
            finally:
                shutil.rmtree(work / "new", ignore_errors=True)
                if not any(path.is_file() for path in run.rglob("*")):
                    shutil.rmtree(run, ignore_errors=True)
                if not run.exists() and not last.exists():
                    mark.unlink(missing_ok=True)
    finally:
        with suppress(OSError):  # something is left in it, or another run has begun
            work.rmdir()


def _refuse_others(out):
    if out.is_symlink():
        raise NotDone(f"{out} is a link that leads back to itself; give --out another folder")
    if not out.name:
        raise NotDone(f"{out} can't be a pack of reports; give --out another folder")
    if not out.exists() or (out.is_dir() and (not any(out.iterdir()) or read_manifest(out))):
        return
    what = f"something that is no pack of reports with a list of its files ({MANIFEST})"
    raise NotDone(f"{out} holds {what}; move it, or give --out another folder")


@contextmanager
def _locked(path, out):
    """Hold a lock of the operating system's, which ends with the process, however that ends. Raises
    NotDone where another run has it."""
    holder, file = "one that is ending just now", None  # it may remove the file, or its folder
    with suppress(FileNotFoundError):
        file = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            if fcntl:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            else:
                os.lseek(file, FAR, os.SEEK_SET)
                msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
                os.lseek(file, 0, os.SEEK_SET)
            holder = "" if os.path.samestat(os.fstat(file), path.stat()) else holder
        except (BlockingIOError, PermissionError):
            holder = os.read(file, 400).decode("utf-8", "replace").strip() or "another process"
    if holder:
        if file is not None:
            os.close(file)
        wait = "wait until it ends, or give --out another folder"
        raise NotDone(f"another run is writing {out} ({clean(holder)}); {wait}")
    os.ftruncate(file, 0)
    begun = f"begun {datetime.datetime.now():%Y-%m-%d %H:%M:%S}"
    os.write(file, f"process {os.getpid()} on {platform.node()}, {begun}\n".encode())
    try:
        yield
    finally:
        if fcntl:  # an open file can be removed, and must be, before another may hold it
            path.unlink(missing_ok=True)
        os.close(file)
        if not fcntl:
            with suppress(OSError):  # another run may have opened it by now
                path.unlink()


def read_manifest(folder):
    """The manifest of the pack in a folder: `files` (path to SHA-256) and `reports` (name to what
    each was made from); None where there is none that can be read."""
    try:
        told = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(told, dict) or told.get("schema") != SCHEMA:
        return None
    return told if all(isinstance(told.get(key), dict) for key in ("files", "reports")) else None


def write_manifest(folder, reports):
    """List the files of a finished pack. reports: name to what it was made from."""
    paths = [path for path in folder.rglob("*") if path.is_file()]
    files = {path.relative_to(folder).as_posix(): sha256(path.read_bytes()) for path in paths}
    told = {"schema": SCHEMA, "files": files, "reports": reports}
    text = json.dumps(told, indent=1, sort_keys=True) + "\n"
    (folder / MANIFEST).write_text(text, encoding="utf-8")


def is_made(folder, made):
    """Whether a pack of reports made from just this is there, as it was written."""
    manifest = read_manifest(folder) or {"reports": {}, "files": {}}
    is_same = manifest["reports"] == made
    return is_same and all(is_as_written(folder, manifest, name) for name in manifest["files"])


def is_as_written(folder, manifest, name):
    """Whether a file of a pack is as its manifest has it."""
    path = folder / name
    if path.is_symlink() or not path.is_file():
        return False
    return sha256(path.read_bytes()) == manifest["files"].get(name)


def sha256(data):
    """The digest of bytes, or of a text or what else JSON has."""
    data = data if isinstance(data, bytes) else json.dumps(data, sort_keys=True).encode()
    return hashlib.sha256(data).hexdigest()


def kept_from(out, names, made):
    """Names of the other reports that the pack at `out` has; NotDone where one of them can't stand
    beside the new ones. made: what each report is made from now."""
    manifest = read_manifest(out) or {"reports": {}}
    kept = [name for name in manifest["reports"] if name not in names]
    advice = "run all reports without --only, or give --out another folder"
    for name in kept:
        was = manifest["reports"][name]
        was, now = was if isinstance(was, dict) else {}, made.get(name)
        differs = ["a notebook that is no longer there"]
        if now:
            differs = [word for key, word in DIFFERS.items() if was.get(key) != now[key]]
        if differs:
            told = f"{out} also holds {listing(kept, most=3)}, made from {differs[0]}"
            raise NotDone(f"{told}; {advice}")
        changed = [file for file in files_of(name) if not is_as_written(out, manifest, file)]
        if changed:
            told = f"{out / changed[0]} is not as it was written, so it can't be kept"
            raise NotDone(f"{told} in the new pack; {advice}")
    return kept


def files_of(name):
    """What a report has in a pack, but for its tables, which are in its notebook."""
    return f"{name}.html", f"notebooks/{name}.ipynb"


def put_in_place(work, out):
    """Put the finished pack `new` in the place of the last one. What is not in the list of the last
    pack, or was changed since, is the reader's and moves into the new one; gives [(its name, its
    new name)] where the new pack has a file of that name."""
    new, last = work / "new", work / "last"
    try:
        if out.exists():
            shutil.copymode(out, new)
            out.rename(last)
        new.rename(out)
    except BaseException:
        if last.exists() and not out.exists():
            last.rename(out)
        raise
    return _hand_over(last, out)


def _hand_over(last, out):
    """Remove what the last pack lists and nobody changed; move the rest into the new pack."""
    if not last.exists():
        return []
    manifest, moved = read_manifest(last) or {"files": {}}, []
    for path in sorted(last.rglob("*")):
        name = path.relative_to(last).as_posix()
        is_ours = (out / name).is_dir() or any(f.startswith(f"{name}/") for f in manifest["files"])
        if is_as_written(last, manifest, name):
            path.unlink()
        elif path.is_dir() and not path.is_symlink() and is_ours:
            continue  # what is in it follows, one by one
        elif name != MANIFEST and os.path.lexists(path):  # else it went with its folder
            there = _free(out / name, path)
            there.parent.mkdir(parents=True, exist_ok=True)
            path.rename(there)
            if there.name != path.name:
                moved.append((name, there.relative_to(out).as_posix()))
    (last / MANIFEST).unlink(missing_ok=True)
    for emptied in (*sorted(last.rglob("*"), reverse=True), last):
        emptied.rmdir()
    return moved


def _free(path, mine):
    """The path, or one like it that is taken neither there nor beside `mine`, which goes there."""
    n, free = 0, path
    while os.path.lexists(free) or (n and os.path.lexists(mine.with_name(free.name))):
        n += 1
        free = path.with_name(f"{path.stem}.kept{f'-{n}' if n > 1 else ''}{path.suffix}")
    return free
