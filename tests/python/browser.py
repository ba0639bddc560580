"""A small client of Chromium's DevTools protocol, for the checks of the pages."""

import json
import os
import shutil
import subprocess
import tempfile
import time
import urllib.request
from pathlib import Path

import websocket


def chromium_path():
    for name in ("chromium", "chromium-browser", "google-chrome"):
        if path := shutil.which(name):
            return path
    raise SystemExit("chromium is needed: apt-get install chromium")


class Chromium:
    """A headless browser with a profile of its own, which is removed at the end."""

    def __init__(self, size=(1366, 768)):
        self.profile = tempfile.mkdtemp(prefix="review-browser-")
        self.process = subprocess.Popen(
            [chromium_path(), "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
             "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync",
             "--enable-precise-memory-info", "--js-flags=--expose-gc",
             "--remote-debugging-port=0", "--remote-allow-origins=*", f"--window-size={size[0]},{size[1]}",
             f"--user-data-dir={self.profile}", "about:blank"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        port_file = Path(self.profile) / "DevToolsActivePort"
        wait(port_file.exists, "the browser starts", 60)
        wait(lambda: port_file.read_text().count("\n") >= 1, "the browser's port", 20)
        self.port = int(port_file.read_text().splitlines()[0])

    def open(self, url, size=(1366, 768), scale=1.0):
        request = urllib.request.Request(f"http://127.0.0.1:{self.port}/json/new?about:blank", method="PUT")
        page = Page(json.load(urllib.request.urlopen(request, timeout=20))["webSocketDebuggerUrl"])
        page.size(*size, scale)
        page.go(url)
        return page

    def close(self):
        self.process.terminate()
        try:
            self.process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        shutil.rmtree(self.profile, ignore_errors=True)


class Page:
    def __init__(self, address):
        self.socket = websocket.create_connection(address, timeout=60, suppress_origin=True)
        self.count = 0
        self.requests = []
        self.errors = []
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def call(self, method, **params):
        self.count += 1
        self.socket.send(json.dumps({"id": self.count, "method": method, "params": params}))
        while True:
            message = json.loads(self.socket.recv())
            if message.get("id") == self.count:
                assert "error" not in message, (method, message["error"])
                return message.get("result", {})
            self.note(message)

    def note(self, message):
        method, params = message.get("method"), message.get("params", {})
        if method == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])
        if method == "Runtime.exceptionThrown":
            self.errors.append(json.dumps(params["exceptionDetails"])[:400])
        if method == "Log.entryAdded" and params["entry"]["level"] == "error":
            self.errors.append(params["entry"]["text"] + " " + params["entry"].get("url", ""))

    def go(self, url):
        self.call("Page.navigate", url=url)
        self.wait("document.readyState === 'complete'", "the page loads")

    def js(self, expression):
        answer = self.call("Runtime.evaluate", expression=expression, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in answer, json.dumps(answer["exceptionDetails"])[:600]
        return answer["result"].get("value")

    def wait(self, expression, what, seconds=20):
        try:
            wait(lambda: self.js(f"Boolean({expression})"), what, seconds)
        except AssertionError as error:
            state = self.js("JSON.stringify([document.body.dataset, (document.getElementById('alarm') || {}).textContent, "
                            "(document.getElementById('saved') || {}).textContent])")
            raise AssertionError(f"{error}; the page: {state} {self.errors[-2:]}") from None

    def size(self, width, height, scale=1.0):
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=scale, mobile=False)

    def key(self, key, shift=False):
        named = {"Enter": ("Enter", 13, "\r"), "Escape": ("Escape", 27, None), "Tab": ("Tab", 9, None),
                 "ArrowDown": ("ArrowDown", 40, None), "ArrowRight": ("ArrowRight", 39, None)}
        code, number, text = named.get(key, ("", ord(key.upper()) if len(key) == 1 else 0, key))
        common = {"key": key, "code": code, "windowsVirtualKeyCode": number, "modifiers": 8 if shift else 0}
        self.call("Input.dispatchKeyEvent", type="keyDown", **common, **({"text": text} if text else {}))
        self.call("Input.dispatchKeyEvent", type="keyUp", **common)

    def type(self, text):
        self.call("Input.insertText", text=text)

    def move(self, x, y):
        self.call("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)

    def picture(self, path, whole=False):
        import base64
        shot = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        Path(path).write_bytes(base64.b64decode(shot["data"]))

    def axe(self):
        """Findings of the accessibility engine axe-core (Deque, MPL-2.0), as the package axe-core-python ships it."""
        import axe_core_python
        source = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
        # The pages' own policy keeps foreign scripts out, so the engine comes in through the debugger.
        self.js(source + "; 0")
        found = self.js("axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa']})"
                        ".then(r => JSON.stringify(r.violations.map(v => [v.id, v.help, v.nodes.slice(0, 4)"
                        ".map(n => n.html.slice(0, 160) + ' :: ' + n.failureSummary)])))")
        return json.loads(found)

    def front(self):
        """A page behind another draws nothing."""
        self.call("Page.bringToFront")

    def close(self):
        self.call("Page.close")
        self.socket.close()


def wait(check, what, seconds=20):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if check():
            return
        time.sleep(0.03)
    raise AssertionError(f"waited {seconds} s in vain: {what}")


class Review:
    """The program's review of a run."""

    def __init__(self, thermal, run, *options):
        self.process = subprocess.Popen([thermal, "review", str(run), "--no-open", "--quiet", *options],
                                        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                                        env={k: v for k, v in os.environ.items() if k != "DISPLAY"})
        self.address = self.process.stdout.readline().strip()
        assert self.address.startswith("http://127.0.0.1:"), self.process.stderr.read()
        self.origin, self.token = self.address.split("/#")
        self.port = int(self.origin.rsplit(":", 1)[1])

    def kill(self):
        self.process.kill()
        self.process.wait()

    def stop(self):
        self.process.terminate()
        assert self.process.wait(timeout=10) == 0, self.process.stderr.read()
