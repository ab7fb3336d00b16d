"""The folder of a pack is owned or left alone: one run at a time, nothing of the reader's lost, whole after any death."""

import hashlib
import os
import subprocess
import sys
import textwrap

import pytest

from wearbar.pack import folder as folders
from wearbar.report import report as reports


def write(folder, files):
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def texts(folder):
    return {
        p.relative_to(folder).as_posix(): p.read_text(encoding="utf-8")
        for p in folder.rglob("*")
        if p.is_file()
    }


def a_pack(folder, day, *more):
    """A folder with a manifest, as a run on that day would write it."""
    names = ("index.html", "a.html", "tables/a.csv", "notebooks/a.ipynb", *more)
    folders.write_manifest(write(folder, {name: f"{name} of {day}" for name in names}), {"a": {}})
    return folder


def replace(out, day, *more):
    """What a run does with the folder, but for the reports."""
    with folders.owned(out) as work:
        a_pack(work / "new", day, *more)
        return folders.put_in_place(work, out)


# of the reader's, kept inside a pack
MINE = {"accounts.ods": "sums", "tables/mine.csv": "1,2", "letters/may/one.txt": "Dear Ada"}


class TestWhatTheReaderKeeps:
    def test_inside_a_pack_it_stays(self, tmp_path):
        out = tmp_path / "p"
        replace(out, "Monday", "tables/gone.csv")
        write(out, MINE)
        (out / "empty").mkdir()
        (out / "link").symlink_to("letters")
        assert replace(out, "Tuesday") == []
        assert texts(out).items() >= MINE.items()
        assert (out / "empty").is_dir()
        assert (out / "link" / "may" / "one.txt").read_text(encoding="utf-8") == "Dear Ada"
        assert (out / "a.html").read_text(encoding="utf-8") == "a.html of Tuesday"
        assert not (out / "tables" / "gone.csv").exists()
        assert [p.name for p in tmp_path.iterdir()] == ["p"]

    def test_a_changed_file_of_the_pack_is_the_readers(self, tmp_path):
        out = tmp_path / "p"
        replace(out, "Monday", "tables/gone.csv")
        write(
            out,
            {
                "tables/a.csv": "mine",
                "tables/gone.csv": "mine too",
                "b.html": "my b",
                "b.kept.html": "my other b",
            },
        )
        assert replace(out, "Tuesday", "b.html") == [
            ("b.html", "b.kept-2.html"),
            ("tables/a.csv", "tables/a.kept.csv"),
        ]
        assert (
            texts(out).items()
            >= {
                "tables/a.csv": "tables/a.csv of Tuesday",
                "tables/a.kept.csv": "mine",
                "tables/gone.csv": "mine too",
                "b.html": "b.html of Tuesday",
                "b.kept.html": "my other b",
                "b.kept-2.html": "my b",
            }.items()
        )

    def test_beside_a_pack_it_is_not_touched(self, tmp_path):
        beside = {
            f"p{ending}/{name}": text
            for ending in (".old", ".partial")
            for name, text in MINE.items()
        }
        write(tmp_path, beside)
        replace(tmp_path / "p", "Monday")
        replace(tmp_path / "p", "Tuesday")
        assert texts(tmp_path).items() >= beside.items()

    @pytest.mark.parametrize(
        "name, words", [("p", "no pack of reports"), ("p.wearbar", "in the way")]
    )
    def test_in_the_way_it_stops_the_run(self, tmp_path, name, words):
        write(tmp_path / name, MINE)
        with pytest.raises(reports.NotDone, match=words):
            replace(tmp_path / "p", "Monday")
        assert texts(tmp_path) == texts(write(tmp_path / name, MINE).parent)

    def test_a_pack_without_a_list_is_left_alone(self, tmp_path):
        write(tmp_path / "p", {"index.html": "", "findings.json": "{}"})
        with pytest.raises(reports.NotDone, match="no pack of reports with a list of its files"):
            replace(tmp_path / "p", "Monday")

    def test_a_list_never_reaches_out_of_the_folder(self, tmp_path):
        write(tmp_path, {"mine.txt": "mine"})
        out = a_pack(tmp_path / "p", "Monday")
        listed = hashlib.sha256(b"mine").hexdigest()
        told = (
            (out / "manifest.json")
            .read_text(encoding="utf-8")
            .replace('"files": {', f'"files": {{"../mine.txt": "{listed}",', 1)
        )
        (out / "manifest.json").write_text(told, encoding="utf-8")
        replace(out, "Tuesday")
        assert (tmp_path / "mine.txt").read_text(encoding="utf-8") == "mine"

    def test_a_private_folder_stays_private(self, tmp_path):
        out = a_pack(tmp_path / "p", "Monday")
        out.chmod(0o700)
        with folders.owned(out) as work:
            assert work.stat().st_mode & 0o777 == 0o700
            a_pack(work / "new", "Tuesday")
            folders.put_in_place(work, out)
        assert out.stat().st_mode & 0o777 == 0o700


def started(code, *arguments):
    return subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(code), *map(str, arguments)],
        stdout=subprocess.PIPE,
        text=True,
    )


HOLDS = """
    import sys, time
    from pathlib import Path
    from wearbar.pack import folder as folders
    with folders.owned(Path(sys.argv[1])):
        print("held", flush=True)
        time.sleep(60)
"""


class TestOneRunAtATime:
    def test_the_other_run_is_named_and_a_dead_ones_lock_is_taken_over(self, tmp_path):
        out = a_pack(tmp_path / "p", "Monday")
        before = texts(out)
        with started(HOLDS, out) as other:
            assert other.stdout.readline() == "held\n"
            with pytest.raises(
                reports.NotDone, match=rf"another run is writing .* \(process {other.pid} on "
            ) as caught:
                replace(out, "Tuesday")
            assert "wait until it ends, or give --out another folder" in str(caught.value)
            assert texts(out) == before
            other.kill()
        assert (tmp_path / "p.wearbar" / "lock").exists()
        replace(out, "Tuesday")
        assert texts(out)["a.html"] == "a.html of Tuesday"
        assert [p.name for p in tmp_path.iterdir()] == ["p"]

    def test_within_one_process_too(self, tmp_path):
        with (
            folders.owned(tmp_path / "p"),
            pytest.raises(reports.NotDone, match=f"process {os.getpid()} "),
        ):
            replace(tmp_path / "p", "Tuesday")
        assert list(tmp_path.iterdir()) == []


# one run after another, each dies, as by kill -9, at the next change of the file system that putting a pack in place makes
DIES = """
    import os, signal, sys
    from pathlib import Path
    from wearbar.pack import folder as folders
    sys.path.insert(0, sys.argv[1])
    from test_pack_folder import MINE, a_pack, write

    def run(out, step):
        left = [step]
        def dying(change):
            def changed(*arguments, **more):
                left[0] -= 1
                if not left[0]:
                    os.kill(os.getpid(), signal.SIGKILL)
                return change(*arguments, **more)
            return changed
        with folders.owned(out) as work:
            a_pack(work / "new", "Tuesday", "b.html")
            for name in ("rename", "unlink", "rmdir", "mkdir"):
                setattr(Path, name, dying(getattr(Path, name)))
            folders.put_in_place(work, out)

    for step in range(1, 40):
        out = write(a_pack(Path(sys.argv[2]) / str(step) / "p", "Monday", "gone.html"), MINE)
        child = os.fork()
        if not child:
            run(out, step)
            os._exit(0)
        if os.waitpid(child, 0)[1] == 0:
            break
    print(step)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork")
def test_after_death_at_any_step_the_next_run_finds_a_whole_pack(tmp_path):
    with started(DIES, os.path.dirname(__file__), tmp_path) as runs:
        steps = int(runs.communicate()[0])
    assert 10 < steps < 39
    was, will = (
        texts(a_pack(tmp_path / day, day, *more))
        for day, *more in (["Monday", "gone.html"], ["Tuesday", "b.html"])
    )
    seen = []
    for step in range(1, steps + 1):
        out = tmp_path / str(step) / "p"
        with folders.owned(out):
            there = texts(out)
        assert there.items() >= MINE.items(), step
        left = {name: text for name, text in there.items() if name not in MINE}
        assert left in (was, will), step
        assert [p.name for p in out.parent.iterdir()] == ["p"], step
        seen.append(left == will)
    assert seen == sorted(seen)
    assert set(seen) == {False, True}
