"""The floor: bare pymodbus reads, each published by bare paho, with what a subscriber needs beside
the value: unit, quality and time. A process of its own, until killed.

usage: raw_publish.py MODBUS_PORT UNIT MQTT_PORT EVERY_S TOPIC
"""

import asyncio
import json
import struct
import sys
import time
from datetime import UTC, datetime

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from pymodbus.client import AsyncModbusTcpClient


async def main(modbus: int, unit: int, broker: int, every_s: float, topic: str) -> None:
    reader = AsyncModbusTcpClient("127.0.0.1", port=modbus)
    await reader.connect()
    publisher = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    publisher.connect("127.0.0.1", broker)
    publisher.loop_start()
    due_s = time.monotonic()
    while True:
        reply = await reader.read_input_registers(2, count=2, device_id=unit)
        pa = struct.unpack(">f", struct.pack(">HH", *reply.registers))[0]
        utc = datetime.now(UTC).isoformat(timespec="milliseconds")
        dp = {"value": round(pa, 2), "unit": "Pa", "quality": "good", "utc": utc}
        publisher.publish(topic, json.dumps({"dp": dp}))
        due_s += every_s
        await asyncio.sleep(due_s - time.monotonic())


asyncio.run(
    main(int(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4]), sys.argv[5])
)
