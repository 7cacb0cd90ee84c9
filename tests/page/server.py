"""The page as it runs, in a thread of the tests', and requests to it that a browser would not make."""

import http.client
import json
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from queue import Queue
from typing import Any
from urllib.parse import urlsplit

from master_check.judgement.profile_files import load_profile
from master_check.page.serve import serve


@dataclass
class Served:
    """A page at an address."""

    address: str

    @property
    def port(self) -> int:
        port = urlsplit(self.address).port
        assert port
        return port

    @property
    def token(self) -> str:
        return urlsplit(self.address).path.strip("/")

    def ask(
        self,
        path: str,
        method: str = "GET",
        body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> tuple[int, bytes, Mapping[str, str]]:
        """Status, body and headers of an answer; `path` is what stands in the request."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        try:
            connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            given = {"Host": f"127.0.0.1:{self.port}", "Content-Length": str(len(body or b""))} | dict(headers or {})
            for name, value in given.items():
                connection.putheader(name, value)
            connection.endheaders(body)
            answer = connection.getresponse()
            return answer.status, answer.read(), {name.lower(): value for name, value in answer.getheaders()}
        finally:
            connection.close()

    def get(self, path: str) -> bytes:
        status, body, _ = self.ask(f"/{self.token}/{path}")
        assert status == 200, body
        return body

    def post(self, path: str, value: Any) -> tuple[int, Any]:
        own = {"Origin": f"http://127.0.0.1:{self.port}"}
        status, body, _ = self.ask(f"/{self.token}/{path}", "POST", json.dumps(value).encode(), own)
        return status, json.loads(body)

    def state(self) -> Any:
        return json.loads(self.get("state"))

    def settled(self) -> Any:
        """The state once nothing is going on any more."""
        for _ in range(600):
            state = self.state()
            tasks = [state[name] for name in ("pair", "plan", "album") if state[name]]
            if all(f["state"] in ("ready", "failed") for f in state["files"]) and all(t["done"] for t in tasks):
                return state
            time.sleep(0.05)
        raise AssertionError(f"never settled: {state}")


@contextmanager
def serving(paths: Sequence[Path] = (), profiles: Sequence[str] = (), **options: bool) -> Iterator[Served]:
    """The page with files open, until the block ends."""
    told: Queue[str] = Queue()
    loaded = [load_profile(name) for name in profiles]
    thread = threading.Thread(
        target=serve, args=(paths, loaded), kwargs={"browser": False, "ready": told.put, **options}, daemon=True
    )
    thread.start()
    served = Served(told.get(timeout=20))
    try:
        yield served
    finally:
        served.post("end", {})
        thread.join(20)
        assert not thread.is_alive()
