"""A control socket that answers with whatever picture the test has put there, and keeps what it was asked."""

import json
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from daemon.control_messages import SOCKET_NAME


class PictureSocket:
    """A context manager; `picture` is called for each answer, `asked` has every request but "status"."""

    def __init__(self, runtime: Path, picture: Callable[[], dict[str, Any]]) -> None:
        self.path = runtime / SOCKET_NAME
        self.picture = picture
        self.asked: list[dict[str, Any]] = []
        self.looks = 0
        self.answers: dict[str, dict[str, Any]] = {}

    def __enter__(self) -> "PictureSocket":
        self.path.parent.mkdir(parents=True, exist_ok=True)
        self.path.unlink(missing_ok=True)
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._listener.bind(str(self.path))
        self._listener.listen(8)
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join()
        self.path.unlink(missing_ok=True)

    def _serve(self) -> None:
        while True:
            try:
                line, _ = self._listener.accept()
            except OSError:
                return
            with line, line.makefile("rwb") as stream:
                request = json.loads(stream.readline() or b"{}")
                stream.write(json.dumps(self._answer(request)).encode() + b"\n")

    def _answer(self, request: dict[str, Any]) -> dict[str, Any]:
        if request.get("ask") == "status":
            self.looks += 1
            return {"v": 1, "ok": True, "picture": self.picture()}
        self.asked.append(request)
        return {"v": 1, "ok": True, **self.answers.get(str(request.get("ask")), {})}
