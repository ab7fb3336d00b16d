"""JupyterLab as `wearbar lab` opens it, for a tab of `browser` to drive."""

import contextlib
import json
import os
import socket
import subprocess
import sys
import time
import urllib.request

KERNEL = "jupyterapp.shell.currentWidget.sessionContext.session?.kernel?.status"
CELLS = "JSON.stringify(jupyterapp.shell.currentWidget.content.model.sharedModel.toJSON().cells)"


@contextlib.contextmanager
def jupyterlab(folder, log, books):
    """`wearbar lab` on a log, the copies in `books`: its address. folder: of its settings."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    settings = {
        "ServerApp": {"port": port, "allow_root": True},
        "IdentityProvider": {"token": ""},
        "LabApp": {"expose_app_in_browser": True, "news_url": None},
    }
    (folder / "JUPYTER_CONFIG_DIR").mkdir()
    (folder / "JUPYTER_CONFIG_DIR/jupyter_server_config.json").write_text(json.dumps(settings))
    begin = "import sys, wearbar_lab.commands; from wearbar.pack import cli; sys.exit(cli.main())"
    command = [sys.executable, "-c", begin, "lab", str(log), "--out", str(books), "--no-browser"]
    own = {name: str(folder / name) for name in ("JUPYTER_CONFIG_DIR", "JUPYTERLAB_SETTINGS_DIR")}
    with (folder / "server.log").open("w") as log:
        server = subprocess.Popen(
            command,
            cwd=folder,
            stdout=log,
            stderr=log,
            env=os.environ | own,
        )
    address = f"http://127.0.0.1:{port}"
    try:
        until(lambda: answers(f"{address}/api"), 120, "JupyterLab does not answer")
        yield address
    finally:
        server.terminate()
        server.wait()


def answers(address):
    try:
        with urllib.request.urlopen(address):
            return True
    except OSError:
        return False


def until(true, seconds, what):
    for _ in range(seconds * 2):
        if true():
            return
        time.sleep(0.5)
    raise TimeoutError(what)
