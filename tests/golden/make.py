"""Execute every report notebook on the owner's log and keep it here with its outputs, for nbval to hold the next run against.

Pictures are left out: what they are drawn from is compared, not their pixels. Run it after a change that moves a number on purpose,
and read the diff: `python tests/golden/make.py [NOTEBOOK ...]`.
"""

import re
import sys
from pathlib import Path

import nbformat
from papermill import execute_notebook

HERE = Path(__file__).parent
NOTEBOOKS = HERE.parent.parent / "notebooks"
PICTURE = re.compile(r"base64,[A-Za-z0-9+/=]+")


def without_pictures(outputs):
    for output in outputs:
        for kind, data in output.get("data", {}).items():
            if isinstance(data, str):
                output["data"][kind] = PICTURE.sub("base64,PICTURE", data)
        yield output


def golden(source):
    done = execute_notebook(
        str(source),
        None,
        {"log": "../../data/owner"},
        kernel_name="python3",
        cwd=str(HERE),
        progress_bar=False,
        log_output=False,
    )
    for number, cell in enumerate(done.cells):
        tags = cell.metadata.get("tags", [])
        cell.metadata = {"tags": [*tags, "nbval-check-output"]} if cell.cell_type == "code" else {}
        cell.id = f"golden-{number}"
        if cell.cell_type == "code":
            cell.outputs = list(
                without_pictures(o for o in cell.outputs if o.output_type != "stream")
            )
    done.metadata = {key: done.metadata[key] for key in ("kernelspec", "title")}
    return done


def main(names):
    for source in sorted(NOTEBOOKS.glob("*.ipynb")):
        if not names or source.stem in names:
            nbformat.write(golden(source), HERE / source.name)
            print(source.name)


if __name__ == "__main__":
    main(sys.argv[1:])
