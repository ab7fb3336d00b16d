"""A papermill engine that runs the cells in this process, where the packages are imported already.
A kernel of its own takes seconds before its first cell. What the cells show is the same: an IPython
shell shows it, to a list. `papermill in.ipynb out.ipynb --engine wearbar` uses it too."""

import base64
import io
import sys

import pandas as pd
from ipykernel.ipkernel import IPythonKernel
from IPython.core.displayhook import DisplayHook
from IPython.core.displaypub import DisplayPublisher
from IPython.core.interactiveshell import InteractiveShell
from IPython.core.pylabtools import activate_matplotlib
from matplotlib_inline.backend_inline import configure_inline_support
from nbformat import from_dict
from papermill.engines import Engine
from traitlets import List, Type
from traitlets.config import Config

INLINE = "module://matplotlib_inline.backend_inline"


class InProcess(Engine):
    """The engine; a process runs one notebook with it, as a kernel would."""

    @classmethod
    def execute_managed_notebook(cls, nb_man, kernel_name, **kwargs):
        """Run each code cell until one stops; its outputs stand in it."""
        nb_man.output_path = None  # papermill writes the whole at the end, not twice a cell
        shell = ZMQInteractiveShell.instance(config=Config({"HistoryManager": {"enabled": False}}))
        activate_matplotlib(INLINE)
        configure_inline_support(shell, INLINE)
        pd.set_option("display.max_columns", 20)  # pandas looks for a kernel once, at import
        nb_man.nb.metadata["language_info"] = dict(IPythonKernel.language_info)
        was = sys.stdout, sys.stderr
        sys.stdout, sys.stderr = _Stream("stdout", shell), _Stream("stderr", shell)
        try:
            for at, cell in enumerate(nb_man.nb.cells):
                nb_man.cell_start(cell, at)
                error = None
                if cell.cell_type == "code":
                    shell.shown.clear()
                    cell.execution_count = shell.execution_count
                    result = shell.run_cell(cell.source, store_history=True)
                    error = result.error_before_exec or result.error_in_exec
                    if error and not any(shown.output_type == "error" for shown in shell.shown):
                        # of one that IPython keeps quiet about
                        shell._showtraceback(type(error), error, [])
                    cell.outputs = list(shell.shown)
                if error:
                    nb_man.cell_exception(cell, cell_index=at, exception=error)
                nb_man.cell_complete(cell, cell_index=at)
                if error:
                    break
        finally:
            sys.stdout, sys.stderr = was


def _encoded(data):
    """What is shown, by its type; a picture's bytes as text."""
    pictures = {kind: x for kind, x in data.items() if isinstance(x, bytes)}
    return data | {kind: base64.b64encode(x).decode() for kind, x in pictures.items()}


def _output(kind, **told):
    """An output of a cell. They are checked together, when the notebook is written."""
    return from_dict({"output_type": kind} | told)


class _Publisher(DisplayPublisher):
    def publish(self, data, metadata=None, **more):
        shown = _output("display_data", data=_encoded(data), metadata=metadata or {})
        self.shell.shown.append(shown)


class _Result(DisplayHook):
    def write_output_prompt(self):
        pass

    def write_format_data(self, format_dict, md_dict=None):
        told = {"metadata": md_dict or {}, "execution_count": self.prompt_count}
        self.shell.shown.append(_output("execute_result", data=_encoded(format_dict), **told))

    def finish_displayhook(self):
        pass


class ZMQInteractiveShell(InteractiveShell):
    """An IPython shell whose outputs go to the list `shown`. It has the name of a kernel's: by
    that, pandas and others know that HTML will be seen."""

    shown = List()
    display_pub_class = Type(_Publisher)
    displayhook_class = Type(_Result)

    def _showtraceback(self, etype, evalue, stb):
        told = {"ename": etype.__name__, "evalue": str(evalue), "traceback": stb}
        self.shown.append(_output("error", **told))


class _Stream(io.TextIOBase):
    """Standard output or error, as outputs of the cell that runs."""

    encoding = "utf-8"

    def __init__(self, name, shell):
        self.name, self.shell = name, shell

    def write(self, text):
        last = self.shell.shown[-1] if self.shell.shown else {}
        if last.get("name") == self.name:
            last.text += text
        elif text:
            self.shell.shown.append(_output("stream", name=self.name, text=text))
        return len(text)
