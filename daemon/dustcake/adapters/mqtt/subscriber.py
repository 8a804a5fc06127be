"""Listening to a broker, as plant SCADA would: for the demo."""

from collections.abc import AsyncIterator

import aiomqtt


async def received(host: str, port: int, topic_filter: str) -> AsyncIterator[tuple[str, bytes]]:
    """Topic and payload of everything published under ``topic_filter``, retained first.

    Raises aiomqtt.MqttError when the broker cannot be reached or goes away.
    """
    client = aiomqtt.Client(host, port, protocol=aiomqtt.ProtocolVersion.V5)
    async with client:
        await client.subscribe(topic_filter, qos=1)
        async for message in client.messages:
            if isinstance(message.payload, bytes):
                yield str(message.topic), message.payload
