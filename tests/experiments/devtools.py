"""A small client of Chromium's DevTools protocol, written with the standard library."""

import base64
import json
import os
import shutil
import socket
import struct
import subprocess
import tempfile
import time
from pathlib import Path
from urllib.request import urlopen

FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
    *("--disable-dev-shm-usage", "--hide-scrollbars", "--remote-debugging-port=0"),
)


def chromium():
    """Path of a Chromium on this machine, or None."""
    return shutil.which("chromium") or shutil.which("chromium-browser")


class Browser:
    """One browser with one tab; `with Browser() as tab: ...`."""

    def __init__(self, width=1200, height=900):
        self._profile = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        size = f"--window-size={width},{height}"
        profile = f"--user-data-dir={self._profile.name}"
        self._process = subprocess.Popen(
            [chromium(), *FLAGS, size, profile, "about:blank"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self._number, self.events, self._buffer = 0, [], b""

    def __enter__(self):
        port_file = Path(self._profile.name) / "DevToolsActivePort"
        wait_for(lambda: port_file.is_file() and len(port_file.read_text().split()) == 2, 30)
        self._port = int(port_file.read_text().split()[0])
        with urlopen(f"http://127.0.0.1:{self._port}/json", timeout=10) as answer:
            pages = [page for page in json.load(answer) if page["type"] == "page"]
        self._connect(pages[0]["webSocketDebuggerUrl"].split(str(self._port), 1)[1])
        for domain in ("Page", "Network", "Runtime", "Log"):
            self.call(f"{domain}.enable")
        return self

    def __exit__(self, *_):
        self._socket.close()
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._profile.cleanup()

    def _connect(self, path):
        self._socket = socket.create_connection(("127.0.0.1", self._port), timeout=60)
        name = base64.b64encode(os.urandom(16)).decode()
        self._socket.sendall(
            f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{self._port}\r\nUpgrade: websocket\r\n"
            f"Connection: Upgrade\r\nSec-WebSocket-Key: {name}\r\n"
            "Sec-WebSocket-Version: 13\r\n\r\n".encode()
        )
        head = b""
        while not head.endswith(b"\r\n\r\n"):
            head += self._socket.recv(1)
        assert b" 101 " in head.split(b"\r\n")[0]

    def _take(self, count):
        while len(self._buffer) < count:
            part = self._socket.recv(65536)
            assert part, "the browser has gone"
            self._buffer += part
        taken, self._buffer = self._buffer[:count], self._buffer[count:]
        return taken

    def _receive(self):
        text, last = b"", False
        while not last:
            first, length = self._take(2)
            if length > 125:
                wide = length == 127
                length = struct.unpack("!Q" if wide else "!H", self._take(8 if wide else 2))[0]
            text, last = text + self._take(length), bool(first & 0x80)
        return json.loads(text)

    def call(self, method, **given):
        """Call a method of the protocol; events that come meanwhile are kept."""
        self._number += 1
        text = json.dumps({"id": self._number, "method": method, "params": given}).encode()
        mask = os.urandom(4)
        masked = bytes(byte ^ mask[k % 4] for k, byte in enumerate(text))
        self._socket.sendall(b"\x81\xff" + struct.pack("!Q", len(text)) + mask + masked)
        while True:
            message = self._receive()
            if message.get("id") == self._number:
                assert "error" not in message, message
                return message["result"]
            self.events.append(message)

    def run(self, script):
        """Evaluate JavaScript in the page and give its value."""
        done = self.call(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in done, done
        return done["result"].get("value")

    def open(self, url):
        """Go to a page and wait until it is there."""
        self.call("Page.navigate", url=url)
        self.wait(f"location.href.startsWith({url!r}) && document.readyState === 'complete'")

    def wait(self, script, seconds=60):
        """Wait until an expression is true in the page."""
        wait_for(lambda: self.run(f"Boolean({script})"), seconds, script)

    def press(self, key, text=""):
        """Press and release a key, as a person does."""
        code = {"Tab": 9, "Enter": 13, " ": 32, "ArrowUp": 38, "ArrowDown": 40, "PageUp": 33,
                "ArrowRight": 39, "ArrowLeft": 37, "Home": 36, "End": 35}.get(key, 0)  # fmt: skip
        shared = {"key": key, "windowsVirtualKeyCode": code or ord(key.upper())}
        self.call("Input.dispatchKeyEvent", type="keyDown", text=text, **shared)
        self.call("Input.dispatchKeyEvent", type="keyUp", **shared)

    def requested(self):
        """Every address that was asked for, and what went wrong in the page."""
        self.run("1")
        found = [e["params"] for e in self.events if e["method"] == "Network.requestWillBeSent"]
        return [item["request"]["url"] for item in found]

    def complaints(self):
        """Errors and exceptions of the page."""
        bad = ("Runtime.exceptionThrown", "Log.entryAdded")
        return [e["params"] for e in self.events if e["method"] in bad]

    def shot(self, path, width, height=900, whole=True):
        """Write a screenshot."""
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height,
                  deviceScaleFactor=1, mobile=False)  # fmt: skip
        time.sleep(0.4)
        data = self.call("Page.captureScreenshot", captureBeyondViewport=whole)["data"]
        Path(path).write_bytes(base64.b64decode(data))


def wait_for(condition, seconds, what="it"):
    """Wait until something is so."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, f"waited {seconds} s for {what}"
        time.sleep(0.05)
