"""The shop as a process of its own, asked over HTTP."""

import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from django.conf import settings


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def fetched(address: str) -> tuple[int, str]:
    """Status and page, also of an error."""
    try:
        with urllib.request.urlopen(address, timeout=30) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode()


@contextmanager
def running(command: str, env: Mapping[str, str]) -> Iterator[tuple[str, list[str]]]:
    """manage.py COMMAND until the block ends: its address, once it answers, and the lines it printed before."""
    port = free_port()
    server = subprocess.Popen(
        [sys.executable, "manage.py", command, "--port", str(port)],
        cwd=settings.BASE_DIR, env=env, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        said = []
        for line in server.stdout:
            said.append(line)
            if line.startswith("Open http"):
                break
        else:
            raise AssertionError(f"{command} ended: {said}")
        for _ in range(50):
            try:
                fetched(f"http://127.0.0.1:{port}/sign-in/")
                break
            except urllib.error.URLError:
                time.sleep(0.2)
        yield f"http://127.0.0.1:{port}", said
    finally:
        server.terminate()
        server.wait(20)
