"""A page in headless Chromium: what it asked the network for and what its console said. Needs chromium and websocket-client."""

import base64
import contextlib
import json
import shutil
import subprocess
import tempfile
import time
import urllib.request

CHROMIUM = next(
    (
        found
        for name in ("chromium", "chromium-browser", "google-chrome")
        if (found := shutil.which(name))
    ),
    None,
)
SWITCHES = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--remote-debugging-port=0",
    "--remote-allow-origins=*",
)


class Tab:
    """One tab, driven by the DevTools protocol; `events` is all that it reported."""

    def __init__(self, address):
        import websocket

        self.socket, self.events, self.sent = (
            websocket.create_connection(address, timeout=20),
            [],
            0,
        )
        for domain in ("Network", "Log", "Runtime", "Page"):
            self.call(f"{domain}.enable")

    def call(self, method, **parameters):
        self.sent += 1
        self.socket.send(json.dumps({"id": self.sent, "method": method, "params": parameters}))
        while (message := json.loads(self.socket.recv())).get("id") != self.sent:
            self.events.append(message)
        return message["result"]

    def open(self, url, width=1280, height=900):
        self.events.clear()
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=width < 600,
        )
        self.call("Page.navigate", url=url)
        for _ in range(100):
            if (
                self.value("document.readyState") == "complete"
                and self.value("location.href") == url
            ):
                return
            time.sleep(0.05)
        raise TimeoutError(url)

    def value(self, expression):
        return self.call("Runtime.evaluate", expression=expression, returnByValue=True)[
            "result"
        ].get("value")

    def requests(self):
        return [
            e["params"]["request"]["url"]
            for e in self.events
            if e.get("method") == "Network.requestWillBeSent"
        ]

    def complaints(self):
        kinds = ("Log.entryAdded", "Runtime.exceptionThrown", "Runtime.consoleAPICalled")
        return [json.dumps(e["params"])[:300] for e in self.events if e.get("method") in kinds]

    def pdf(self):
        return base64.b64decode(self.call("Page.printToPDF", preferCSSPageSize=True)["data"])


@contextlib.contextmanager
def tab():
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        command = [CHROMIUM, *SWITCHES, f"--user-data-dir={profile}", "about:blank"]
        process = subprocess.Popen(
            command, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True
        )
        try:
            line = next(line for line in process.stderr if "DevTools listening on" in line)
            port = line.split(":")[-1].split("/")[0]
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/json") as answer:
                pages = [p for p in json.load(answer) if p["type"] == "page"]
            opened = Tab(pages[0]["webSocketDebuggerUrl"])
            yield opened
            opened.socket.close()
        finally:
            process.terminate()
            process.wait()
            process.stderr.close()
