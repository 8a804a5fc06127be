"""The main job from end to end: dP rises, filters are pulsed, plant SCADA is told."""

from pathlib import Path

import pytest

from dustcake_sim.scenario import packaged_scenarios
from system_support import settings
from system_support.broker import Broker, until
from system_support.device import device, scenario
from system_support.heard import Heard, listener
from system_support.processes import Daemons, serial_pair, simulator

ON_TIME_S = 0.15
ONE_SHOT_SLACK_S = 0.02  # the device ends the pulse itself, on its own clock
ON_OFF_SLACK_S = 0.15  # the daemon ends it: a round trip over Modbus on a busy machine
ORDER = [2, 4, 1, 3]  # skips neighbours


def loaded(directory: Path) -> Path:
    """The packaged welding cell on filters that stand just below 1000 Pa."""
    text = packaged_scenarios()["welding_cell"].read_text(encoding="utf-8")
    path = directory / "loaded.toml"
    path.write_text(text.replace("cake_kg_m2 = 0.2 ", "cake_kg_m2 = 0.26 "), encoding="utf-8")
    return path


@pytest.mark.story
@pytest.mark.broker
async def test_dp_crosses_high_and_is_cleaned_down_to_low(
    tmp_path: Path, broker: Broker, daemons: Daemons
) -> None:
    async with simulator(loaded(tmp_path), "--speed", "60") as plant, listener(broker) as sub:
        heard = Heard(sub)
        file = settings.write(
            tmp_path,
            settings.tcp_bus(plant.port),
            settings.collector(**settings.header()),
            mqtt=settings.mqtt(broker.port),
        )
        daemon = await daemons.start(file)
        await until(lambda: bool(heard.events("cleaning_stopped")), "the end of a cleaning", 40)
        assert await daemon.terminate() == 0
        await until(lambda: bool(heard.events("stopped")), "the last events")

        (started,), stopped = heard.events("cleaning_started"), heard.events("cleaning_stopped")[0]
        assert started["reason_code"] == "high_reached"
        assert started["dp"]["value"] >= 1000.0
        assert started["dp"]["quality"] == "good"
        assert "1000 Pa" in started["reason"]
        assert stopped["reason_code"] == "low_reached"
        assert stopped["dp"]["value"] <= 750.0

        fired = [event["valve"] for event in heard.events("pulse")]
        assert fired == [ORDER[n % 4] for n in range(len(fired))]
        assert len(fired) >= 4
        assert stopped["pulses"] == len(fired)
        # What the device itself has counted.
        assert plant.pulses == [fired.count(valve) for valve in (1, 2, 3, 4)]
        assert plant.two_at_once == 0
        assert ON_TIME_S * 0.9 < plant.longest_on_s <= ON_TIME_S + ONE_SHOT_SLACK_S
        events = heard.gapless()
        names = [event["event"] for event in events]
        assert names[0] == "started"
        assert "stopped" in names[-3:]

    async with listener(broker) as late_sub:
        late = Heard(late_sub)
        await until(lambda: bool(late.bodies("state") and late.bodies("online")), "what is kept")
        assert all(message.retained for message in late.messages)
        assert late.bodies("online")[-1]["online"] is False
        state = late.bodies("state")[-1]
        assert [valve["pulses"] for valve in state["valves"]] == [
            fired.count(valve) for valve in (1, 2, 3, 4)
        ]
        assert late.bodies("alarm/filter_replacement")[-1]["state"] == "normal"
        assert not late.events()
        assert not late.bodies("measurement")


@pytest.mark.broker
async def test_worn_filters_raise_the_replacement_alarm_which_is_acknowledged_and_kept(
    tmp_path: Path, broker: Broker, daemons: Daemons
) -> None:
    quick: settings.Table = {
        "cleaning": {"max_cycles": 2, "rest_s": 600.0},
        "alarms": {
            "replacement_cycles": 1,
            "override": {"filter_replacement": {"on_delay_s": 0.5, "off_delay_s": 0.5}},
        },
    }
    async with device(scenario(0.24)) as plant, listener(broker) as sub:
        heard = Heard(sub)
        file = settings.write(
            tmp_path,
            settings.tcp_bus(plant.port),
            settings.collector(**quick),
            mqtt=settings.mqtt(broker.port),
        )
        plant.unit.force("filters_worn", added_drag_pa_s_m=60_000.0)
        daemon = await daemons.start(file)

        def alarm(state: str) -> bool:
            return any(
                event["alarm"] == "filter_replacement" and event["state"] == state
                for event in heard.events("alarm")
            )

        await until(lambda: alarm("unacknowledged"), "the replacement alarm")
        assert sum(plant.unit.pulses) >= 4, "it is not raised before a whole cycle has run"
        assert "filter_replacement" in (await daemon.status())["alarms"]
        await until(lambda: sum(plant.unit.pulses) >= 8, "the limit of cycles")
        kept = heard.bodies("alarm/filter_replacement")[-1]
        assert kept["active"]
        assert not kept["acknowledged"]
        assert all(kept[field] for field in ("reason", "consequence", "action", "since", "title"))

        assert (await daemon.request("acknowledge", "filter_replacement")).code == 0
        await until(lambda: alarm("acknowledged"), "the acknowledgement")
        daemon.kill()
        again = await daemons.start(file)
        status = await again.status()
        (detail,) = [a for a in status["alarm_details"] if a["alarm"] == "filter_replacement"]
        assert detail["state"] == "acknowledged", "held through a restart"

        plant.unit.force("blower", running=False)
        await until(lambda: bool(heard.events("blower_changed")[-1:]), "the blower to stop")
        assert "filter_replacement" in (await again.status())["alarms"], "held without flow"
        plant.unit.force("filters_changed")
        plant.unit.force("blower", running=True)
        await until(lambda: alarm("normal"), "the alarm to clear on new filters", 30)
        assert plant.unit.two_at_once == 0
        heard.gapless()


@pytest.mark.parametrize(
    ("kind", "line"),
    [
        ("valves_one_shot", "tcp"),
        ("valves_one_shot", "rtu"),
        ("valves_on_off", "rtu"),
        ("demand_contact", "tcp"),
    ],
)
async def test_every_kind_of_output_and_both_kinds_of_line(
    tmp_path: Path, daemons: Daemons, kind: str, line: str
) -> None:
    over = {
        "valves_one_shot": {},
        "valves_on_off": settings.valves_on_off(ON_TIME_S),
        "demand_contact": {
            "outputs": {"kind": kind, "coils": [32], "one_shot_register": None},
            "pulsing": {"on_time_s": None, "sequencer_cycle_s": 4.0},
        },
    }[kind]
    story = tmp_path / "story.toml"
    text = packaged_scenarios()["welding_cell"].read_text(encoding="utf-8")
    story.write_text(text.replace("cake_kg_m2 = 0.2 ", "cake_kg_m2 = 0.32 "), encoding="utf-8")
    async with serial_pair(tmp_path) as (near, far):
        serial = ("--serial", far, "--parity", "N") if line == "rtu" else ()
        async with simulator(story, *serial) as plant:
            plant.write_holding(102, 10)  # the board's own interval: 1 s
            bus = settings.serial_bus(near) if line == "rtu" else settings.tcp_bus(plant.port)
            file = settings.write(tmp_path, bus, settings.collector(**over))
            daemon = await daemons.start(file)
            if kind == "demand_contact":
                await until(lambda: plant.poll("0", 32) == [1], "the demand contact to close")
                await until(lambda: plant.poll("0", 32) == [0], "it to open at the low set point")
                # The sequencer of the simulated board fires by itself, from row 1 on.
                assert sum(plant.pulses) >= 1
            else:
                await until(lambda: sum(plant.pulses) >= 4, "a whole cycle")
                slack_s = ONE_SHOT_SLACK_S if kind == "valves_one_shot" else ON_OFF_SLACK_S
                assert ON_TIME_S * 0.9 < plant.longest_on_s <= ON_TIME_S + slack_s
            assert plant.two_at_once == 0
            status = await daemon.status()
            assert status["quality"] == "good"
            assert await daemon.terminate() == 0
            assert plant.poll("0", 0, 4) == [0, 0, 0, 0]
            assert plant.poll("0", 16, 4) == [0, 0, 0, 0]
            assert plant.poll("0", 32) == [0]
