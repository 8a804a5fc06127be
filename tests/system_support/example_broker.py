"""The broker of deploy/mosquitto, run as it is but for its paths and port."""

import asyncio
import getpass
import subprocess
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from system_support.broker import PATIENCE_S, Broker, make_certificates, program

EXAMPLE = Path(__file__).parents[2] / "deploy" / "mosquitto"
USERS = {
    "welding-1": "seal-4f1c",
    "welding-2": "another",
    "viewer": "screen",
    "operator": "hand",
    "scada": "desk",
    "dustcake-sparkplug": "node",
    "sparkplug-host": "room",
}


class Example:
    """The running example and how to reach it. ``folder`` has a password file for each user."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.broker = Broker(folder)
        self.certificates = make_certificates(folder / "certs")
        passwords = folder / "dustcake.passwords"
        passwords.touch(mode=0o600)
        for name, password in USERS.items():
            subprocess.run(
                [program("mosquitto_passwd"), "-b", str(passwords), name, password],
                check=True,
                timeout=60,
            )
            (folder / f"{name}.password").write_text(password)
        rules = folder / "dustcake.access"
        rules.touch(mode=0o600)
        rules.write_text((EXAMPLE / "dustcake.access").read_text())
        text = (EXAMPLE / "dustcake.conf").read_text()
        text = text.replace("/etc/mosquitto/certs", str(folder / "certs"))
        text = text.replace("/etc/mosquitto/dustcake.", f"{folder}/dustcake.")
        text = text.replace("/var/lib/mosquitto/", f"{folder}/")
        text = text.replace("listener 8883", f"listener {self.broker.port} 127.0.0.1")
        directives = [line for line in text.splitlines() if not line.startswith("#")]
        assert not [line for line in directives if "/etc/" in line or "/var/" in line]
        text += f"\nuser {getpass.getuser()}\nlog_dest file {folder}/broker.log\nlog_type all\n"
        (folder / "dustcake.conf").write_text(text)

    def as_user(self, user: str, version: str = "5") -> list[str]:
        """What each of mosquitto's command-line clients needs to know."""
        return [
            *("-V", version, "-h", "localhost", "-p", str(self.broker.port)),
            *("--cafile", str(self.certificates.ca), "-u", user, "-P", USERS[user]),
        ]

    async def run_client(self, name: str, user: str, *arguments: str) -> str:
        """All that a command-line client of mosquitto says."""
        process = await asyncio.create_subprocess_exec(
            program(name),
            *self.as_user(user),
            *arguments,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        said, _ = await asyncio.wait_for(process.communicate(), PATIENCE_S)
        return said.decode()

    async def may_publish(self, user: str, topic: str, *options: str) -> bool:
        """Whether the broker takes a publication of ``user``."""
        said = await self.run_client(
            "mosquitto_pub", user, "-q", "1", "-t", topic, "-m", "x", *options
        )
        assert said in ("", "Warning: Publish 1 failed: Not authorized.\n"), said
        return said == ""


@asynccontextmanager
async def example_running(folder: Path) -> AsyncIterator[Example]:
    """The example, listening."""
    made = Example(folder)
    made.broker.start_from(folder / "dustcake.conf")
    try:
        await made.broker.listening()
        yield made
    finally:
        made.broker.stop()
