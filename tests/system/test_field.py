"""The field side failing in every way it does, and what becomes of the cleaning meanwhile."""

from pathlib import Path
from typing import Any

import pytest

from system_support import settings
from system_support.broker import Broker, until
from system_support.device import Device, device, scenario
from system_support.heard import Heard, listener
from system_support.processes import Daemons, dustcake
from system_support.wire_faults import FaultKind, WireFault, faults_on

CLEAN = scenario(0.1)
DIRTY = scenario(0.45)
READ_DP = 4
"""Function code of reading input registers."""
FALLBACK: settings.Table = {
    "cleaning": {"fallback_delay_s": 0.5, "fallback_interval_s": 1.0},
    "alarms": {
        "override": {
            name: {"on_delay_s": 0.5, "off_delay_s": 0.5}
            for name in ("transmitter_fault", "fieldbus_lost")
        }
    },
}
AS_CURRENT = {
    "transmitter": {"register": 1, "kind": "current", "span": ["0 Pa", "2500 Pa"]},
}


def plant_file(directory: Path, plant: Device, **over: Any) -> Path:
    return settings.write(directory, settings.tcp_bus(plant.port), settings.collector(**over))


@pytest.mark.broker
async def test_a_device_that_goes_and_returns_is_logged_once_each_way(
    tmp_path: Path, broker: Broker, daemons: Daemons
) -> None:
    async with device(CLEAN) as plant, listener(broker) as sub:
        heard = Heard(sub)
        file = settings.write(
            tmp_path,
            settings.tcp_bus(plant.port),
            settings.collector(**FALLBACK),
            mqtt=settings.mqtt(broker.port),
        )
        daemon = await daemons.start(file)
        await until(lambda: bool(heard.bodies("measurement")), "a measurement")
        await plant.go()
        await until(
            lambda: heard.bodies("alarm/fieldbus_lost")[-1]["active"],
            "the alarm",
        )
        explained = heard.bodies("alarm/transmitter_fault")[-1]["explained_by"]
        assert explained == "fieldbus_lost", "one fault, one alarm"
        failed = heard.bodies("measurement")[-1]["dp"]
        assert failed["value"] is None, "null, never zero"
        assert failed["quality"] == "failure"
        assert failed["reasons"]
        assert len(daemon.logged("lost")) == 1
        assert daemon.logged("lost")[0]["bus"] == "device"
        assert not daemon.logged("recovered")

        await plant.come_back()
        await until(
            lambda: heard.bodies("alarm/fieldbus_lost")[-1]["state"] == "returned",
            "the alarm's condition to be gone",
        )
        await until(
            lambda: heard.bodies("measurement")[-1]["dp"]["quality"] == "good", "good readings"
        )
        assert len(daemon.logged("lost")) == 1
        assert len(daemon.logged("recovered")) == 1
        qualities = [event["quality"] for event in heard.events("quality_changed")]
        assert qualities == ["good", "failure", "good"]
        heard.gapless()


async def test_a_wrong_unit_id_is_told_by_read_and_by_status(
    tmp_path: Path, daemons: Daemons
) -> None:
    async with device(CLEAN) as plant:
        file = plant_file(tmp_path, plant, transmitter={"unit": 9})
        read = await dustcake("read", file)
        assert read.code == 3
        assert "unit 9" in read.out
        assert "no reply within 0.3 s" in read.out
        assert "check supply, wiring, bus settings, unit and address" in read.err
        daemon = await daemons.start(file)
        status = await daemon.quality_becomes("failure")
        assert "unit 9" in status["dp"]["reasons"][0]
        (lost,) = daemon.logged("lost")
        assert lost["unit"] == 9


ANSWERED = (
    FaultKind.EXCEPTION,
    FaultKind.GARBLE,
    FaultKind.WRONG_UNIT,
    FaultKind.WRONG_TRANSACTION,
    FaultKind.WRONG_FUNCTION,
    FaultKind.WRONG_COUNT,
)
"""After these the rest of the unit is still asked; one that is silent is left for this poll."""


@pytest.mark.parametrize(
    "kind",
    [
        *ANSWERED,
        FaultKind.SHORT,
        FaultKind.DROP,
        FaultKind.CLOSE,
    ],
)
async def test_spoiled_replies_are_never_taken_for_a_reading(
    tmp_path: Path, daemons: Daemons, kind: FaultKind
) -> None:
    async with device(CLEAN) as plant:
        over = settings.merged(FALLBACK, {"stale_after_s": 1.0})
        daemon = await daemons.start(plant_file(tmp_path, plant, **over))
        faults_on(plant.server).inject(WireFault(kind), times=10_000, function=READ_DP)
        status = await daemon.quality_becomes("failure")
        assert status["dp"]["value"] is None
        assert status["dp"]["reasons"]
        if kind in ANSWERED:
            assert status["blower_running"] is True, "the contacts are still read"
        faults_on(plant.server).clear()
        await daemon.quality_becomes("good")
        assert len(daemon.logged("recovered")) == len(daemon.logged("lost")) >= 1
        assert await daemon.terminate() == 0


@pytest.mark.parametrize(
    "kind",
    [
        FaultKind.EXCEPTION,
        FaultKind.WRONG_COUNT,
    ],
)
async def test_a_point_that_is_always_refused_or_spoiled_is_logged_once(
    tmp_path: Path, daemons: Daemons, kind: FaultKind
) -> None:
    async with device(CLEAN) as plant:
        daemon = await daemons.start(plant_file(tmp_path, plant))
        faults_on(plant.server).inject(WireFault(kind), times=10_000, function=READ_DP)
        requests = plant.server.exchange.requests
        await until(lambda: plant.server.exchange.requests >= requests + 30, "ten polls")
        # A busy machine may lose the reply of another point for once.
        lost = [one["place"] for one in daemon.logged("lost") if one["kind"] != "timeout"]
        assert lost == ["unit 1, input registers 2 to 3"]


@pytest.mark.parametrize(
    ("fault", "over", "quality", "words", "blower"),
    [
        ({"fault": "nan"}, {}, "failure", "not a number", True),
        ({"fault": "nan"}, {}, "failure", "not a number", False),
        ({"fault": "current", "current_ma": 3.5}, AS_CURRENT, "failure", "3.50 mA", True),
        ({"fault": "current", "current_ma": 21.8}, AS_CURRENT, "failure", "21.80 mA", True),
        (
            {"fault": "current", "current_ma": 3.7},
            AS_CURRENT,
            "out_of_specification",
            "3.70 mA",
            True,
        ),
        ({"fault": "current", "current_ma": 0.0}, AS_CURRENT, "failure", "0.00 mA", True),
    ],
)
async def test_a_bad_reading_falls_back_to_timed_pulses_only_with_a_proved_blower(
    tmp_path: Path,
    daemons: Daemons,
    fault: dict[str, Any],
    over: dict[str, Any],
    quality: str,
    words: str,
    blower: bool,
) -> None:
    async with device(CLEAN) as plant:
        plant.unit.force("blower", running=blower)
        plant.unit.force("transmitter", transmitter="dp", **fault)
        file = plant_file(tmp_path, plant, **settings.merged(FALLBACK, over))
        daemon = await daemons.start(file)
        status = await daemon.quality_becomes(quality)
        assert words in " ".join(status["dp"]["reasons"])
        if blower:
            await until(lambda: sum(plant.unit.pulses) >= 2, "pulses at the fallback interval")
            status = await daemon.status()
            assert status["phase"] != "idle"
        else:
            requests = plant.server.exchange.requests
            await until(lambda: plant.server.exchange.requests >= requests + 20, "ten polls")
            assert sum(plant.unit.pulses) == 0
        assert "transmitter_fault" in (await daemon.status())["alarms"]
        plant.unit.force("transmitter", transmitter="dp", fault="none")
        await daemon.quality_becomes("good")


async def test_a_bad_reading_can_be_made_to_hold_pulses(tmp_path: Path, daemons: Daemons) -> None:
    hold = settings.merged(FALLBACK, {"cleaning": {"on_bad_reading": "hold"}})
    async with device(CLEAN) as plant:
        plant.unit.force("transmitter", transmitter="dp", fault="nan")
        daemon = await daemons.start(plant_file(tmp_path, plant, **hold))
        requests = plant.server.exchange.requests
        await until(lambda: plant.server.exchange.requests >= requests + 20, "ten polls")
        assert sum(plant.unit.pulses) == 0
        assert "transmitter_fault" in (await daemon.status())["alarms"]


async def test_outputs_that_refuse_are_alarmed_and_proved_off_again_before_the_next_pulse(
    tmp_path: Path, daemons: Daemons
) -> None:
    quick = {"alarms": {"override": {"outputs_lost": {"on_delay_s": 0.0, "off_delay_s": 0.0}}}}
    async with device(DIRTY) as plant:
        daemon = await daemons.start(plant_file(tmp_path, plant, **quick))
        await until(lambda: sum(plant.unit.pulses) >= 1, "a pulse")
        for write_coil in (5, 15):
            faults_on(plant.server).inject(
                WireFault(FaultKind.EXCEPTION, acts=False), times=10_000, function=write_coil
            )
        await daemon.alarm_comes("outputs_lost")
        pulses = sum(plant.unit.pulses)
        requests = plant.server.exchange.requests
        await until(lambda: plant.server.exchange.requests >= requests + 20, "ten polls")
        assert sum(plant.unit.pulses) == pulses
        count = len(plant.unit.image.coil_writes)
        faults_on(plant.server).clear()
        await until(lambda: sum(plant.unit.pulses) > pulses, "pulses again")
        proved: set[int] = set()
        for first, values in plant.unit.image.coil_writes[count:]:
            if any(values):
                break
            proved |= set(range(first, first + len(values)))
        assert proved == {16, 17, 18, 19}, "all off before that"
        assert plant.unit.two_at_once == 0


TWO_ON_ONE_BUS = (
    settings.collector("sanding"),
    settings.collector(
        "grinding",
        transmitter={"unit": 2},
        outputs={"unit": 2},
        contacts={name: {"unit": 2} for name in ("blower_running", "smoke", "door_open")},
    ),
)


@pytest.mark.broker
async def test_a_dead_unit_does_not_stop_the_other_collector_on_the_bus(
    tmp_path: Path, broker: Broker, daemons: Daemons
) -> None:
    async with device(DIRTY, DIRTY) as plant, listener(broker) as sub:
        heard = Heard(sub)
        file = settings.write(
            tmp_path,
            settings.tcp_bus(plant.port),
            *TWO_ON_ONE_BUS,
            mqtt=settings.mqtt(broker.port),
        )
        daemon = await daemons.start(file)
        await until(
            lambda: sum(plant[1].pulses) >= 1 and sum(plant[2].pulses) >= 1, "both to clean"
        )
        plant.silence(2)
        await until(
            lambda: bool(
                [
                    e
                    for e in heard.events("quality_changed", "grinding")
                    if e["quality"] == "failure"
                ]
            ),
            "the loss to be told",
        )
        pulses = sum(plant[1].pulses)
        await until(lambda: sum(plant[1].pulses) >= pulses + 3, "the other to go on cleaning")
        assert (await daemon.status("sanding"))["quality"] == "good"
        assert (await daemon.status("grinding"))["quality"] == "failure"
        refused = await daemon.request("mode", "off")
        assert refused.code == 1
        assert "name one of the collectors: sanding, grinding" in refused.out
        assert (await daemon.request("--collector", "sanding", "mode", "off")).code == 0
        assert (await daemon.status("grinding"))["mode"] == "on_demand"

        daemon.kill()
        for name in ("sanding", "grinding"):
            await until(
                lambda name=name: heard.bodies("online", name)[-1]["online"] is False,  # type: ignore[misc]
                f"the will of {name}",
            )
            heard.gapless(name)
        assert plant[1].two_at_once == plant[2].two_at_once == 0
