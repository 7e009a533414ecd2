"""Headless Chromium through chromedriver, by the W3C WebDriver protocol (JSON over HTTP) alone."""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ELEMENT = "element-6066-11e4-a52e-4f735466cecf"  # W3C WebDriver, section 12
KEYS = {
    "Tab": "\ue004",
    "Enter": "\ue007",
    "End": "\ue010",
    "Home": "\ue011",
    "ArrowLeft": "\ue012",
    "ArrowUp": "\ue013",
    "ArrowRight": "\ue014",
    "ArrowDown": "\ue015",
    "PageUp": "\ue00e",
    "PageDown": "\ue00f",
}


def programs() -> tuple[str, str] | None:
    """Paths of Chromium and chromedriver, or None where either is missing."""
    browser, driver = shutil.which("chromium"), shutil.which("chromedriver")
    return (browser, driver) if browser and driver else None


class Browser:
    """One session."""

    def __init__(self, address: str, browser: str, profile: Path) -> None:
        self.address = address
        arguments = [
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--disable-dev-shm-usage",
            f"--user-data-dir={profile}",
        ]
        made = self._call(
            "POST",
            "/session",
            {
                "capabilities": {
                    "alwaysMatch": {
                        "browserName": "chrome",
                        "goog:chromeOptions": {"binary": browser, "args": arguments},
                        "goog:loggingPrefs": {"browser": "ALL", "performance": "ALL"},
                    }
                }
            },
        )
        self.root = f"/session/{made['sessionId']}"

    def _call(self, method: str, path: str, body: Any = None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(
            self.address + path, data, {"Content-Type": "application/json"}, method=method
        )
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                return json.load(answer)["value"]
        except urllib.error.HTTPError as error:
            with error:
                told = json.load(error)["value"]
            raise RuntimeError(f"{path}: {told['error']}: {told['message']}") from None

    def call(self, method: str, path: str, body: Any = None) -> Any:
        """A command of this session."""
        return self._call(method, self.root + path, body)

    def open(self, address: str) -> None:
        self.call("POST", "/url", {"url": address})

    def size(self, width: int, height: int) -> None:
        """Make the page so large, in CSS pixels."""
        self.cdp(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )

    def cdp(self, command: str, **parameters: Any) -> Any:
        """A command of Chromium's own protocol."""
        return self.call("POST", "/goog/cdp/execute", {"cmd": command, "params": parameters})

    def run(self, script: str, *arguments: Any) -> Any:
        """What the body of a JavaScript function returns."""
        return self.call("POST", "/execute/sync", {"script": script, "args": list(arguments)})

    def find(self, selector: str) -> list[str]:
        """Elements that match a CSS selector."""
        found = self.call("POST", "/elements", {"using": "css selector", "value": selector})
        return [element[ELEMENT] for element in found]

    def click(self, selector: str) -> None:
        """Click the first match, once it is there: on a busy machine a page's script comes late."""
        end = time.monotonic() + 20.0
        while not (found := self.find(selector)) and time.monotonic() < end:
            time.sleep(0.05)
        self.call("POST", f"/element/{found[0]}/click", {})

    def press(self, *keys: str) -> None:
        """Press and release keys by name or letter."""
        actions = []
        for key in keys:
            value = KEYS.get(key, key)
            actions += [{"type": "keyDown", "value": value}, {"type": "keyUp", "value": value}]
        self.call(
            "POST", "/actions", {"actions": [{"type": "key", "id": "keys", "actions": actions}]}
        )

    def drag(self, start: tuple[float, float], stop: tuple[float, float]) -> None:
        """Press the pointer at one place of the window, move, and release it."""

        def move(place: tuple[float, float]) -> dict[str, Any]:
            x, y = (round(v) for v in place)
            return {"type": "pointerMove", "duration": 50, "x": x, "y": y, "origin": "viewport"}

        steps = [
            move(start),
            {"type": "pointerDown", "button": 0},
            move(stop),
            {"type": "pointerUp", "button": 0},
        ]
        mouse = {
            "type": "pointer",
            "id": "mouse",
            "parameters": {"pointerType": "mouse"},
            "actions": steps,
        }
        self.call("POST", "/actions", {"actions": [mouse]})

    def name(self, element: str) -> str:
        """The accessible name as the browser computes it."""
        return str(self.call("GET", f"/element/{element}/computedlabel"))

    def role(self, element: str) -> str:
        """The accessible role as the browser computes it."""
        return str(self.call("GET", f"/element/{element}/computedrole"))

    def console(self) -> list[dict[str, Any]]:
        """Console messages since the last call."""
        return list(self.call("POST", "/se/log", {"type": "browser"}))

    def requests(self) -> list[str]:
        """Addresses asked for since the last call."""
        entries = self.call("POST", "/se/log", {"type": "performance"})
        found = []
        for entry in entries:
            message = json.loads(entry["message"])["message"]
            if message["method"] == "Network.requestWillBeSent":
                found.append(str(message["params"]["request"]["url"]))
        return found

    def print_pdf(self, path: Path) -> None:
        """Save the page as it prints on A4."""
        sheet = self.cdp(
            "Page.printToPDF", paperWidth=8.27, paperHeight=11.69, printBackground=True
        )
        path.write_bytes(base64.b64decode(sheet["data"]))

    def close(self) -> None:
        self.call("DELETE", "")


@contextmanager
def browser(folder: Path) -> Iterator[Browser]:
    """A browser with a fresh profile; closed, with its driver, at the end."""
    found = programs()
    assert found is not None
    log = folder / "chromedriver.log"
    with log.open("wb") as stream:
        process = subprocess.Popen([found[1], "--port=0"], stdout=stream, stderr=stream)
        try:
            port = _port(log, process)
            session = Browser(f"http://127.0.0.1:{port}", found[0], folder / "profile")
            try:
                yield session
            finally:
                session.close()
        finally:
            process.terminate()
            process.wait(timeout=20)


def _port(log: Path, process: subprocess.Popen[bytes]) -> int:
    """The port that the driver says it listens on."""
    for _ in range(200):
        text = log.read_text(errors="replace")
        if "on port " in text and "started successfully" in text:
            return int(text.rsplit("on port ", 1)[1].split(".")[0].split()[0])
        assert process.poll() is None, f"chromedriver ended: {text}"
        time.sleep(0.05)
    raise AssertionError(f"chromedriver did not start: {log.read_text(errors='replace')}")
