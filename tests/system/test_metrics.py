"""The figures of a running daemon, over HTTP."""

from pathlib import Path

import httpx2
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from system_support import settings
from system_support.broker import Broker, free_port, until
from system_support.device import device, scenario
from system_support.processes import Daemons


async def test_a_monitoring_system_reads_two_collectors(
    tmp_path: Path, broker: Broker, daemons: Daemons
) -> None:
    port = free_port()
    other = settings.merged(settings.collector("hall-2"), settings.placed("device", 2))
    async with device(scenario(0.1), scenario(0.2)) as plant:
        file = settings.write(
            tmp_path,
            settings.tcp_bus(plant.port),
            *(settings.collector(), other),
            mqtt=settings.mqtt(broker.port),
            metrics={"port": port},
        )
        daemon = await daemons.start(file)
        await until(lambda: bool(daemon.logged("metrics served")), "the metrics")
        plant.silence(2)
        await daemon.quality_becomes("failure", "hall-2")
        async with httpx2.AsyncClient(base_url=f"http://127.0.0.1:{port}", timeout=20) as client:
            answer = await client.get("/metrics")
            assert (await client.get("/")).status_code == 404
            assert (await client.post("/metrics", content=b"x")).status_code == 405
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith("application/openmetrics-text")
        found = {
            (sample.name, *sample.labels.values()): sample.value
            for family in text_string_to_metric_families(answer.text)  # type: ignore[no-untyped-call]
            for sample in family.samples
        }
        assert found["dustcake_dp_quality", "hall-1", "good"] == 1.0
        assert found["dustcake_dp_quality", "hall-2", "failure"] == 1.0
        assert found["dustcake_dp_pascals", "hall-1"] > 100.0
        assert ("dustcake_dp_pascals", "hall-2") not in found
        assert found["dustcake_polls_failed_total", "hall-1"] == 0.0
        assert found["dustcake_polls_failed_total", "hall-2"] >= 1.0
        assert found["dustcake_step_seconds_count", "hall-1"] > 0.0
        assert found["dustcake_broker_connected", "hall-1"] == 1.0
        assert found["dustcake_outbox_messages", "hall-1"] >= 0.0
        assert found["dustcake_journal_bytes",] > 0.0
        assert await daemon.terminate() == 0
