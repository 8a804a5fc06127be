"""The service manager, played by a real datagram socket."""

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog

from dustcake.adapters.host import ServiceManager


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    if request.param == "path":
        address = name = str(tmp_path / "notify")
    else:
        name = f"@dustcake-test-{os.getpid()}"
        address = "\0" + name[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(address)
        listener.settimeout(5.0)
        yield name, listener


def test_everything_that_is_told(manager: tuple[str, socket.socket]) -> None:
    name, listener = manager
    service = ServiceManager({"NOTIFY_SOCKET": name})
    service.ready()
    service.status("2 collectors,\n1 cleaning")
    service.fed()
    service.stopping()
    heard = [listener.recv(4096) for _ in range(4)]
    assert heard == [b"READY=1", b"STATUS=2 collectors, 1 cleaning", b"WATCHDOG=1", b"STOPPING=1"]
    service.close()
    service.fed()
    listener.setblocking(False)
    with pytest.raises(BlockingIOError):
        listener.recv(4096)


@pytest.mark.parametrize("environment", [{}, {"NOTIFY_SOCKET": ""}])
def test_silent_where_no_service_manager_started_the_daemon(environment: dict[str, str]) -> None:
    service = ServiceManager(environment)
    with structlog.testing.capture_logs() as logs:
        service.ready()
        service.fed()
        service.close()
    assert logs == []


def test_a_manager_that_is_gone_is_logged_once(tmp_path: Path) -> None:
    service = ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "gone")})
    with structlog.testing.capture_logs() as logs:
        for _ in range(3):
            service.fed()
    assert [entry["event"] for entry in logs] == ["service manager not reached"]
    service.close()


def test_a_manager_that_does_not_read_never_holds_up_the_daemon(
    manager: tuple[str, socket.socket],
) -> None:
    name, _ = manager
    service = ServiceManager({"NOTIFY_SOCKET": name})
    with structlog.testing.capture_logs() as logs:
        for _ in range(10_000):
            service.fed()
    assert len(logs) == 1
    service.close()
