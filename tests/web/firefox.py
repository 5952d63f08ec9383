"""Debian's Firefox without a window, for the few tests that a second browser engine is worth: it ignores where a
video's edit list begins, so that hidden pictures show wherever a page forgets its first small seek.

Spoken to by Firefox's own remote protocol over a local socket: each message is its length, a colon and JSON
(https://firefox-source-docs.mozilla.org/testing/marionette/Protocol.html).
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from ctypes.util import find_library
from pathlib import Path
from typing import Any

import pytest

FIREFOX = shutil.which("firefox-esr")

needs_firefox = [
    pytest.mark.browser,
    pytest.mark.skipif(
        FIREFOX is None or find_library("avcodec") is None,
        reason="needs Debian's firefox-esr, and libavcodec, by which it decodes H.264",
    ),
]

PREFERENCES = {
    "media.autoplay.default": 0,
    "media.autoplay.blocking_policy": 0,
    "app.update.enabled": False,
    "app.normandy.enabled": False,
    "browser.safebrowsing.malware.enabled": False,
    "browser.safebrowsing.phishing.enabled": False,
    "datareporting.policy.dataSubmissionEnabled": False,
    "extensions.getAddons.cache.enabled": False,
    "network.captive-portal-service.enabled": False,
    "network.connectivity-service.enabled": False,
    "services.settings.server": "",
    "toolkit.telemetry.enabled": False,
    "ui.prefersReducedMotion": 1,
}


class Firefox:
    """A window. `run` waits for what a piece of script returns, also for a promise."""

    def __init__(self, port: int):
        for _ in range(600):
            try:
                self._socket = socket.create_connection(("127.0.0.1", port), timeout=90)
            except OSError:
                time.sleep(0.1)
                continue
            self._stream = self._socket.makefile("rb")
            try:
                self._read()  # it says who it is
                break
            except OSError:
                self.close()
                time.sleep(0.1)
        else:
            raise RuntimeError("Firefox does not answer")
        self._number = 0
        self._ask("WebDriver:NewSession", {"capabilities": {"alwaysMatch": {"timeouts": {"script": 60_000}}}})

    def close(self) -> None:
        self._stream.close()
        self._socket.close()

    def open(self, address: str) -> None:
        self._ask("WebDriver:Navigate", {"url": address})

    def size(self, width: int, height: int) -> None:
        self._ask("WebDriver:SetWindowRect", {"width": width, "height": height})

    def run(self, script: str) -> Any:
        """What an async function with this body returns."""
        body = (
            "const done = arguments[arguments.length - 1];"
            f"(async () => {{ {script} }})().then((found) => done([found]), (e) => done(String(e)));"
        )
        told = self._ask("WebDriver:ExecuteAsyncScript", {"script": body, "args": []})["value"]
        assert isinstance(told, list), told
        return told[0]

    def until(self, condition: str, seconds: float = 20) -> None:
        """Wait until an expression is true in the page."""
        end = time.monotonic() + seconds
        while not self.run(f"return Boolean({condition});"):
            assert time.monotonic() < end, f"never true: {condition}"
            time.sleep(0.05)

    def press(self, key: str) -> None:
        """A key pressed and let go."""
        actions = [{"type": kind, "value": key} for kind in ("keyDown", "keyUp")]
        self._ask(
            "WebDriver:PerformActions", {"actions": [{"type": "key", "id": "keyboard", "actions": actions}]}
        )

    def _ask(self, command: str, parameters: dict[str, Any]) -> Any:
        self._number += 1
        text = json.dumps([0, self._number, command, parameters]).encode()
        self._socket.sendall(f"{len(text)}:".encode() + text)
        kind, number, problem, result = self._read()
        assert (kind, number) == (1, self._number)
        assert problem is None, problem
        return result

    def _read(self) -> Any:
        digits = b""
        while (byte := self._stream.read(1)) != b":":
            if not byte:
                raise OSError("Firefox hung up")
            digits += byte
        return json.loads(self._stream.read(int(digits)))


@contextmanager
def firefox() -> Iterator[Firefox]:
    assert FIREFOX is not None
    with tempfile.TemporaryDirectory(prefix="cliplib-firefox-", ignore_cleanup_errors=True) as folder:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        profile = Path(folder) / "profile"
        profile.mkdir()
        wanted = {**PREFERENCES, "marionette.port": port}
        lines = (f"user_pref({json.dumps(name)}, {json.dumps(value)});" for name, value in wanted.items())
        (profile / "user.js").write_text("\n".join(lines), encoding="utf-8")
        process = subprocess.Popen(
            [FIREFOX, "--headless", "--no-remote", "--profile", str(profile), "--marionette"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "HOME": folder, "MOZ_HEADLESS": "1"},
            start_new_session=True,
        )
        try:
            with closing(Firefox(port)) as window:
                yield window
        finally:
            os.killpg(process.pid, signal.SIGKILL)  # nothing of its profile is kept
            process.wait()
