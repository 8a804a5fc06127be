"""A process that does nothing but keep a link up: arguments are port and MQTT version."""

import asyncio
import sys

from dustcake.adapters.mqtt import MqttLink
from ports.fake_store import FakeStore
from ports.mqtt.running_link import Says, settings_for

if __name__ == "__main__":
    settings = settings_for(int(sys.argv[1]), version=sys.argv[2])
    says = Says()

    async def run() -> None:
        await MqttLink(settings, FakeStore(), says.online, says.current).run()

    asyncio.run(run())
